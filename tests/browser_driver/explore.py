"""Uses a report as people do, in headless Chromium: python3 explore.py PAGE

Chooses tilts in every way there is, plays, magnifies, flickers, opens a link to a view, copies a table, saves a plot, and
opens the page without its script. Prints one JSON object of facts; the test judges them.
"""

import json
import os
import sys
import time

from look import Chromium

CHOSEN = "+document.querySelector('#strip a[aria-current]').dataset.tilt"


def box(browser, selector):
    # What sticks to the window is in sight already, and scrolling for it would move it.
    inside = browser.run(f"!!document.querySelector({selector!r}).closest('#viewer')")
    block = "nearest" if inside else "center"
    browser.run(f"document.querySelector({selector!r}).scrollIntoView({{block: '{block}', behavior: 'instant'}})")
    return browser.run(f"(() => {{ const r = document.querySelector({selector!r}).getBoundingClientRect();"
                       "return [r.x, r.y, r.width, r.height]; })()")


def press(browser, selector):
    x, y, width, height = box(browser, selector)
    browser.click(x + width / 2, y + height / 2)


def all_follow(browser):
    """What each part of the page shows of the chosen tilt."""
    return browser.run("""(() => {
      const at = document.querySelector('#strip a[aria-current]').dataset.tilt;
      const rings = document.querySelector('#bench-rings .focus-tilt');
      return {at: +at, angle: document.getElementById('bench-angle').textContent,
        row: document.querySelector('.tilts tr.here').id, rings: rings && +rings.dataset.of,
        picture: document.getElementById('stage-picture').src === document.querySelector('#strip a[aria-current] img')?.src,
        seams: document.querySelectorAll('#stage-seams text').length,
        figures: document.getElementById('bench-figures').textContent,
        flags: document.querySelectorAll('#bench-flags li').length,
        told: document.getElementById('told').textContent,
        readouts: Array.from(document.querySelectorAll('.readout b')).map(b => b.textContent),
        markers: Array.from(document.querySelectorAll('svg.plot .marker')).filter(m => m.getAttribute('visibility') === 'visible').length};
    })()""")


def choose_everywhere(browser, facts):
    facts["start"] = all_follow(browser)
    press(browser, "#strip li:nth-child(18) a")
    facts["by_strip"] = all_follow(browser)
    x, y, width, height = box(browser, "#plot-counts svg")
    browser.call("Input.dispatchMouseEvent", type="mouseMoved", x=x + 0.9 * width, y=y + height / 2)
    facts["hovered"] = browser.run("document.querySelector('#plot-counts .readout').textContent")
    facts["hover_leaves_choice"] = browser.run(CHOSEN)
    browser.click(x + 0.9 * width, y + height / 2)
    facts["by_plot"] = all_follow(browser)
    x, y, width, height = box(browser, "#plot-coverage svg")
    browser.click(x + 0.5 * width, y + 0.5 * height)
    facts["by_fan"] = browser.run(CHOSEN)
    press(browser, "#row-3 a")
    facts["by_table"] = browser.run(CHOSEN)
    facts["viewer_in_sight"] = browser.run("(() => { const r = document.getElementById('window').getBoundingClientRect(); return r.top < innerHeight && r.bottom > 0; })()")


def minima(browser, facts):
    """Whether the calculated minima are drawn, before and after they are switched off."""
    drawn = "getComputedStyle(document.querySelector('#bench-rings .minima')).display !== 'none'"
    facts["minima"] = [browser.run(drawn)]
    browser.run("document.getElementById('show-minima').click()")
    facts["minima"].append(browser.run(drawn))


def at_the_end(browser, facts):
    """How far what sticks to the window reaches over the table, once the page is scrolled to its end."""
    browser.run("scrollTo({top: document.documentElement.scrollHeight, behavior: 'instant'})")
    time.sleep(0.2)
    facts["over_the_table_px"] = browser.run("document.getElementById('viewer').getBoundingClientRect().bottom"
                                             " - document.getElementById('tilts').getBoundingClientRect().top")


def keyboard(browser, facts):
    facts["keys"] = {}
    browser.run("document.getElementById('window').focus()")
    for key in ("Home", "PageDown", "ArrowRight", "End", "PageUp", "ArrowLeft"):
        browser.key(key)
        facts["keys"][key] = browser.run(CHOSEN)
    # With the tabulator alone: what can be reached.
    browser.run("document.activeElement.blur(); document.querySelector('h1').scrollIntoView()")
    reached = set()
    for _ in range(160):
        browser.key("Tab")
        reached.add(browser.run("(e => e.id || e.dataset.do || e.closest('[id]')?.id || e.tagName)(document.activeElement)"))
    facts["reached"] = sorted(reached)


def look_closely(browser, facts):
    browser.run("document.getElementById('look').scrollIntoView({behavior: 'instant'})")
    browser.run("document.getElementById('window').focus()")
    browser.key("Home")
    for _ in range(4):
        browser.key("+")
    facts["zoomed"] = browser.run(
        "[document.getElementById('pane').getBoundingClientRect().width, document.getElementById('window').className]")
    x, y, width, height = box(browser, "#window")
    before = browser.run("document.getElementById('pane').style.transform")
    browser.call("Input.dispatchMouseEvent", type="mousePressed", x=x + width / 2, y=y + height / 2, button="left", clickCount=1)
    browser.call("Input.dispatchMouseEvent", type="mouseMoved", x=x + width / 2 - 25, y=y + height / 2 - 30, button="left", buttons=1)
    browser.call("Input.dispatchMouseEvent", type="mouseReleased", x=x + width / 2 - 25, y=y + height / 2 - 30, button="left", clickCount=1)
    facts["panned"] = before != browser.run("document.getElementById('pane').style.transform")
    time.sleep(0.4)
    facts["address_of_view"] = browser.run("location.hash")
    where = "(r => [r.x, r.y, r.width])(document.getElementById('pane').getBoundingClientRect())"
    view = browser.run(where)
    browser.key("0")
    facts["whole_again"] = browser.run("document.getElementById('window').className")
    time.sleep(0.4)
    browser.run(f"location.hash = {facts['address_of_view']!r}")
    time.sleep(0.3)
    facts["view_off_px"] = max(abs(a - b) for a, b in zip(view, browser.run(where)))
    browser.key("0")
    press(browser, "#viewer [data-do=after]")
    seen = set()
    for _ in range(12):
        seen.add(browser.run("document.getElementById('stage-shown').textContent"))
        time.sleep(0.1)
    facts["flickered"] = sorted(seen - {""})
    time.sleep(0.3)
    facts["flicker_address"] = browser.run("location.hash")
    press(browser, "#viewer [data-do=after]")
    browser.run("document.getElementById('rate').value = '10'; document.getElementById('rate').dispatchEvent(new Event('change'))")
    start = browser.run(CHOSEN)
    press(browser, "#play")
    began = time.time()
    time.sleep(1.2)
    press(browser, "#play")
    facts["played"] = [browser.run(CHOSEN) - start, time.time() - began]
    stopped = browser.run(CHOSEN)
    time.sleep(0.4)
    facts["stays_stopped"] = browser.run(CHOSEN) == stopped


def swipe(browser, facts):
    browser.width(390)
    browser.call("Emulation.setTouchEmulationEnabled", enabled=True)
    x, y, width, height = box(browser, "#window")
    before = browser.run(CHOSEN)
    points = [{"x": x + width * part, "y": y + height / 2} for part in (0.8, 0.65, 0.5, 0.35, 0.2)]
    browser.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=[points[0]])
    for point in points[1:]:
        browser.call("Input.dispatchTouchEvent", type="touchMove", touchPoints=[point])
    browser.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
    facts["swiped"] = browser.run(CHOSEN) - before
    browser.call("Emulation.setTouchEmulationEnabled", enabled=False)
    browser.width(1280)


def take_along(browser, facts):
    browser.run("window.taken = []; URL.createObjectURL = blob => { blob.text().then(t => window.taken.push(t)); return 'blob:none'; };"
                "HTMLAnchorElement.prototype.click = function () { window.taken.push(this.download); };")
    browser.run("document.getElementById('save').click()")
    browser.run("document.querySelector('#plot-counts .quiet').click()")
    time.sleep(0.5)
    taken = browser.run("window.taken")
    facts["saved_names"] = sorted(t for t in taken if len(t) < 200)
    svg = next(t for t in taken if t.startswith("<svg"))
    facts["saved_svg"] = {"variables": svg.count("var("), "laid": svg.count("marker"), "length": len(svg), "start": svg[:60]}
    facts["saved_record"] = json.loads(next(t for t in taken if t.startswith("{")))["series"]["series_id"]
    browser.run("navigator.clipboard.writeText = text => { window.copied = text; return Promise.resolve(); }")
    browser.run("Array.from(document.querySelectorAll('.take button')).find(b => b.closest('.take').previousElementSibling?.querySelector('.tilts')).click()")
    facts["copied"] = browser.run("window.copied")


def without_script(browser, page, facts):
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    browser.call("Page.navigate", url="file://" + page)
    time.sleep(2)
    facts["plain"] = browser.run("""({text: document.body.innerText, bench: document.getElementById('viewer').hidden,
      marked: document.querySelectorAll('#strip a[aria-current]').length, rows: document.querySelectorAll('.tilts tbody tr').length,
      overflow: document.documentElement.scrollWidth - document.documentElement.clientWidth})""")


def unbounded(browser):
    """Texts that turn the direction of writing and are not closed off from what stands beside them."""
    return browser.run("""(() => {
      const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
      for (let node = walker.nextNode(); node; node = walker.nextNode()) {
        const parent = node.parentElement;
        if (/[\u202a-\u202e\u2066-\u2069]/.test(node.data) && !parent.closest('bdi, script')) { found.push(parent.tagName + ': ' + node.data.slice(0, 80)); }
      }
      return found;
    })()""")


def explore(page):
    browser = Chromium()
    try:
        browser.open(page)
        browser.width(1280)
        facts = {}
        for part in (choose_everywhere, minima, at_the_end, keyboard, look_closely, swipe, take_along):
            part(browser, facts)
        facts["errors"] = browser.mistakes()
        facts["unbounded"] = unbounded(browser)
        without_script(browser, page, facts)
        return facts
    finally:
        browser.close()


if __name__ == "__main__":
    print(json.dumps(explore(os.path.abspath(sys.argv[1]))))
