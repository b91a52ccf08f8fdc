"""Prints a page as PDF: python3 paper.py PAGE A4.pdf LETTER.pdf"""

import base64
import os
import sys

from look import Chromium

INCHES = ((8.27, 11.69), (8.5, 11.0))

browser = Chromium()
try:
    browser.open(os.path.abspath(sys.argv[1]))
    for out, (width, height) in zip(sys.argv[2:4], INCHES):
        data = browser.call("Page.printToPDF", paperWidth=width, paperHeight=height, printBackground=True,
                            generateDocumentOutline=True)["data"]
        with open(out, "wb") as file:
            file.write(base64.b64decode(data))
finally:
    browser.close()
