#!/usr/bin/env python3
"""The picture of the report in the README, as headless Chromium draws it: make_report_picture.py BUILD_FOLDER OUT.png

Takes the page that `tools/dev demo` left in the build folder, and of it the part that shows a table, the bars and two curves.
"""

import sys
from pathlib import Path

sys.dont_write_bytecode = True
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tests/page"))
from browser import Browser  # noqa: E402

WIDTH, HEIGHT, SCALE = 940, 2140, 0.75


def main():
    page, target = Path(sys.argv[1]).resolve() / "demo-report.html", Path(sys.argv[2])
    with Browser() as browser:
        browser.look(width=WIDTH)
        browser.open(page.as_uri())
        for curve in range(browser.run("return document.querySelectorAll('figure.curve').length")):
            figure = f"document.querySelectorAll('figure.curve')[{curve}]"
            browser.run(f"{figure}.scrollIntoView()")
            browser.wait(f"{figure}.classList.contains('drawn')")
        browser.run("scrollTo(0, 0)")
        browser.picture(target, height=HEIGHT, scale=SCALE)


if __name__ == "__main__":
    main()
