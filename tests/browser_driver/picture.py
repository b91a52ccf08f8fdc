"""Makes the README's picture of a comparison: python3 picture.py PAGE SELECTOR OUT.png

Takes the elements that the selector names, one below the other as they stand on the page, at 860 px.
"""

import base64
import os
import sys
import time

from look import Chromium

page, selector, out = sys.argv[1:4]
browser = Chromium()
try:
    target = browser.call("Target.createTarget", url="about:blank")["targetId"]
    browser.session = browser.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
    browser.call("Page.enable")
    browser.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "light"}])
    browser.call("Emulation.setDeviceMetricsOverride", width=860, height=900, deviceScaleFactor=1, mobile=False)
    browser.call("Page.navigate", url="file://" + os.path.abspath(page))
    while browser.run("document.readyState") != "complete":
        time.sleep(0.05)
    # What is far from the window is not drawn.
    browser.run(f"document.querySelector({selector!r}).scrollIntoView({{behavior: 'instant'}})")
    time.sleep(0.5)
    box = browser.run(f"(() => {{ const r = document.querySelector({selector!r}).getBoundingClientRect();"
                      "return [r.x, r.y + scrollY, r.width, r.height]; })()")
    clip = dict(zip(("x", "y", "width", "height"), box), scale=1)
    data = browser.call("Page.captureScreenshot", captureBeyondViewport=True, clip=clip)["data"]
    with open(out, "wb") as file:
        file.write(base64.b64decode(data))
finally:
    browser.close()
