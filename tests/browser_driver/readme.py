"""Makes the README's pictures of a report: python3 readme.py REPORT.html FOLDER

report-answer.webp: the top of the page, light. report-linked.webp: a tilt that was left out, with its picture, rings and plots,
dark. The report is that of demo-stacks/moss-leaf-hasty.
"""

import base64
import os
import sys
import time

from look import Chromium


def shot(browser, out, height):
    clip = {"x": 0, "y": browser.run("scrollY"), "width": 1280, "height": height, "scale": 0.75}
    data = browser.call("Page.captureScreenshot", format="webp", quality=80, clip=clip)["data"]
    with open(out, "wb") as file:
        file.write(base64.b64decode(data))


page, folder = os.path.abspath(sys.argv[1]), sys.argv[2]
browser = Chromium()
try:
    browser.open(page)
    browser.width(1280, 900)
    browser.scheme("light")
    time.sleep(0.5)
    shot(browser, os.path.join(folder, "report-answer.webp"), 900)
    browser.scheme("dark")
    browser.run("location.hash = '#tilt-24'")
    browser.run("document.getElementById('plot-sharpness').scrollIntoView({behavior: 'instant'})")
    time.sleep(0.5)
    shot(browser, os.path.join(folder, "report-linked.webp"), 900)
finally:
    browser.close()
