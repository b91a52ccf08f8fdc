"""Opens a report from disk in headless Chromium and looks at it: python3 look.py [--page-only] PAGE [SCREENSHOT_FOLDER]

With --page-only the page is no report of a series: nothing is paged through.

Talks to Chromium over its remote-debugging pipe (file descriptors 3 and 4), so that the standard library is enough.
Prints one JSON object of facts; the test judges them.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time


class Chromium:
    def __init__(self):
        self.profile = tempfile.mkdtemp()
        to_read, self.to_write = os.pipe()
        self.from_read, from_write = os.pipe()
        flags = ["--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-quic",
                 "--disable-component-update", "--disable-sync", "--hide-scrollbars", "--remote-debugging-pipe",
                 "--user-data-dir=" + self.profile]
        if os.geteuid() == 0:
            flags.append("--no-sandbox")

        def descriptors():
            os.dup2(to_read, 3)
            os.dup2(from_write, 4)

        # The pipe's ends are moved out of the way of 3 and 4 first.
        to_read, from_write = os.dup(to_read), os.dup(from_write)
        while to_read < 10 or from_write < 10:
            to_read, from_write = os.dup(to_read), os.dup(from_write)
        # What it leaves when it is ended goes with the profile.
        self.process = subprocess.Popen(["chromium", *flags, "about:blank"], preexec_fn=descriptors, close_fds=True,
                                        pass_fds=(3, 4), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                                        env=os.environ | {"TMPDIR": self.profile})
        os.close(to_read)
        os.close(from_write)
        self.next, self.buffer, self.events, self.session = 0, b"", [], None

    def message(self, until):
        while b"\0" not in self.buffer:
            if time.time() > until:
                raise TimeoutError("Chromium does not answer")
            chunk = os.read(self.from_read, 1 << 16)
            if not chunk:
                raise EOFError("Chromium has ended")
            self.buffer += chunk
        text, self.buffer = self.buffer.split(b"\0", 1)
        return json.loads(text)

    def call(self, method, **params):
        self.next += 1
        request = {"id": self.next, "method": method, "params": params}
        if self.session:
            request["sessionId"] = self.session
        os.write(self.to_write, json.dumps(request).encode() + b"\0")
        while True:
            message = self.message(time.time() + 30)
            if message.get("id") == self.next:
                if "error" in message:
                    raise RuntimeError(f"{method}: {message['error']}")
                return message["result"]
            self.events.append(message)

    def run(self, expression):
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(f"{expression}: {answer['exceptionDetails']}")
        return answer["result"].get("value")

    def resolve(self, expression):
        """The value of a promise."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(f"{expression[:200]}: {answer['exceptionDetails']}")
        return answer["result"].get("value")

    def key(self, key):
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key)

    def click(self, x, y):
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def open(self, page, seconds=60):
        """Opens a file in a tab of its own and waits until it has loaded."""
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(domain + ".enable")
        self.call("Page.navigate", url="file://" + page)
        until = time.time() + seconds
        while self.run("document.readyState") != "complete" and time.time() < until:
            time.sleep(0.05)

    def scheme(self, scheme):
        self.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])

    def width(self, width, height=900):
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 500)

    def mistakes(self):
        """What the page said of errors so far."""
        loud = ("error", "warning")
        return [e["params"] for e in self.events if e.get("method") == "Runtime.exceptionThrown"
                or (e.get("method") == "Runtime.consoleAPICalled" and e["params"]["type"] in loud)
                or (e.get("method") == "Log.entryAdded" and e["params"]["entry"]["level"] in loud)]

    def close(self):
        self.process.kill()
        self.process.wait()
        shutil.rmtree(self.profile, ignore_errors=True)


def page_through(browser, facts):
    current = "document.querySelector('#strip a[aria-current]')?.dataset.tilt"
    facts["first"] = browser.run(current)
    facts["rows"] = browser.run("document.querySelectorAll('.tilts tbody tr').length")
    browser.key("ArrowRight")
    facts["after_right"] = browser.run(current)
    browser.key("ArrowLeft")
    browser.key("ArrowLeft")
    facts["after_left"] = browser.run(current)
    time.sleep(0.4)
    facts["address"] = browser.run("location.hash")
    facts["marked_rows"] = browser.run("document.querySelectorAll('.tilts tr.here').length")
    facts["markers"] = browser.run("document.querySelectorAll('svg.plot .marker').length")
    facts["plots_over_tilt"] = browser.run("document.querySelectorAll('svg.plot[data-left]').length")
    facts["picture"] = browser.run("document.getElementById('stage-picture').naturalWidth")
    browser.run("location.hash = '#tilt-1'")
    time.sleep(0.2)
    facts["from_address"] = browser.run(current)


def look(page, shots, is_report):
    browser = Chromium()
    try:
        browser.open(page)
        facts = {"title": browser.run("document.title"), "csp": browser.run(
            "document.querySelector('meta[http-equiv]').content")}
        facts["drawings"] = browser.run("document.querySelectorAll('svg.plot').length")
        if is_report:
            page_through(browser, facts)
        facts["planted_script_ran"] = browser.run("typeof window.planted !== 'undefined'")
        facts["overflow"] = {}
        for scheme in ("light", "dark"):
            browser.scheme(scheme)
            facts[scheme + "_background"] = browser.run("getComputedStyle(document.documentElement).backgroundColor")
            for width in (390, 768, 1280, 1920):
                browser.width(width)
                facts["overflow"][f"{scheme} {width}"] = browser.run(
                    "document.documentElement.scrollWidth - document.documentElement.clientWidth")
                if shots:
                    import base64
                    data = browser.call("Page.captureScreenshot", captureBeyondViewport=True)["data"]
                    with open(os.path.join(shots, f"{scheme}-{width}.png"), "wb") as out:
                        out.write(base64.b64decode(data))
        facts["errors"] = browser.mistakes()
        urls = [e["params"]["request"]["url"] for e in browser.events if e.get("method") == "Network.requestWillBeSent"]
        facts["requests_out"] = [url[:80] for url in urls if not url.startswith(("file:", "data:", "about:"))]
        facts["requests"] = len(urls)
        return facts
    finally:
        browser.close()


if __name__ == "__main__":
    arguments = [argument for argument in sys.argv[1:] if argument != "--page-only"]
    shots = arguments[1] if len(arguments) > 1 else None
    print(json.dumps(look(os.path.abspath(arguments[0]), shots, "--page-only" not in sys.argv)))
