"""Looks for barriers with axe-core: python3 access.py AXE_JS PAGE

Prints, for light and dark at a phone's and a monitor's width, each violation of WCAG 2.2 A and AA and of axe's best practice.
"""

import json
import os
import sys

from look import Chromium

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def barriers(axe, page):
    browser = Chromium()
    try:
        browser.open(page)
        with open(axe, encoding="utf-8") as source:
            browser.run(source.read() + "; 0")
        # What unfolds is looked at too.
        browser.run("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        found = {}
        for scheme in ("light", "dark"):
            browser.scheme(scheme)
            for width in (390, 1280):
                browser.width(width)
                answer = browser.resolve(
                    f"axe.run(document, {{runOnly: {json.dumps(RULES)}}}).then(r => ({{passes: r.passes.length, violations: r.violations"
                    ".map(v => [v.id, v.impact, v.nodes.length, v.nodes.slice(0, 3).map(n => n.target.join(' ') + ' | ' + (n.any[0] || n.all[0] || n.none[0] || {}).message)])}))")
                found[f"{scheme} {width}"] = answer
        return found
    finally:
        browser.close()


if __name__ == "__main__":
    print(json.dumps(barriers(sys.argv[1], os.path.abspath(sys.argv[2]))))
