"""Weighs a page: python3 weigh.py PAGE [TIMES]

Opens it so many times in a fresh browser and prints, by the browser's own performance entries, the least times to first
paint, to the whole page and until its script has run; what the tab's process had spent on processors by then, all threads
added up, which another load on the machine does not change; the memory of its tab (the renderer's own pages) after every
tilt was looked at once; and how long frames take while it scrolls.
"""

import json
import os
import sys
import time

from look import Chromium


def own_megabytes(process):
    with open(f"/proc/{process}/smaps_rollup", encoding="ascii") as rollup:
        lines = (line.split() for line in rollup)
        kilobytes = {line[0]: int(line[1]) for line in lines if line[-1] == "kB"}
    return (kilobytes["Private_Clean:"] + kilobytes["Private_Dirty:"]) / 1024


def processor_ms(process):
    with open(f"/proc/{process}/stat", encoding="ascii") as stat:
        ticks = stat.read().rsplit(")", 1)[1].split()
    return 1000 * (int(ticks[11]) + int(ticks[12])) / os.sysconf("SC_CLK_TCK")


def renderers(browser):
    session, browser.session = browser.session, None
    processes = browser.call("SystemInfo.getProcessInfo")["processInfo"]
    browser.session = session
    return [p["id"] for p in processes if p["type"] == "renderer"]


def weigh(page):
    browser = Chromium()
    try:
        browser.open(page)
        spent = max(map(processor_ms, renderers(browser)))
        browser.width(1280)
        time.sleep(0.5)
        facts = browser.run("""(() => {
          const load = performance.getEntriesByType('navigation')[0];
          const paint = performance.getEntriesByName('first-contentful-paint')[0];
          return {interactive_ms: load.domInteractive, loaded_ms: load.loadEventEnd, first_paint_ms: paint ? paint.startTime : null};
        })()""")
        facts["processor_ms"] = spent
        facts["bytes"] = os.path.getsize(page)
        frames = browser.resolve("""new Promise(done => {
          const times = []; let last = performance.now(), steps = 0;
          function step(now) {
            times.push(now - last); last = now; scrollBy({top: 60, behavior: 'instant'});
            if (++steps < 150) requestAnimationFrame(step); else { times.sort((a, b) => a - b); done({median: times[75], p95: times[142], worst: times[149]}); }
          }
          requestAnimationFrame(step);
        })""")
        facts["frame_ms"] = frames
        tilts = browser.run("document.querySelectorAll('#strip a').length")
        if tilts:
            browser.run("scrollTo(0, 0)")
            facts["choose_ms"] = browser.resolve("""new Promise(done => {
              const links = Array.from(document.querySelectorAll('#strip a')), times = [];
              (function next(at) {
                if (at >= links.length) { times.sort((a, b) => a - b); done({median: times[times.length >> 1], worst: times[times.length - 1]}); return; }
                const start = performance.now(); links[at].click();
                times.push(performance.now() - start); setTimeout(() => next(at + 1), 30);
              })(0);
            })""")
            time.sleep(1)
        facts["tab_megabytes"] = max(map(own_megabytes, renderers(browser)))
        return facts
    finally:
        browser.close()


if __name__ == "__main__":
    runs = [weigh(os.path.abspath(sys.argv[1])) for _ in range(int(sys.argv[2]) if len(sys.argv) > 2 else 1)]
    best = dict(runs[0])
    for name in ("processor_ms", "interactive_ms", "loaded_ms", "first_paint_ms", "tab_megabytes"):
        best[name] = min((run[name] for run in runs if run[name] is not None), default=None)
    print(json.dumps(best))
