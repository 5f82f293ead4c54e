#!/usr/bin/env python3
"""The report in headless Chromium: what runs, what a checker of accessibility (axe-core) says, keys. Usage: ... NIGHTWATT NPM_FOLDER"""

import sys
import tempfile
from pathlib import Path

from browser import Browser, missing, serious_findings
from nights import HOSTILE, Store


def bring_curves_near(browser):
    browser.run("document.querySelectorAll('figure.curve')[0].scrollIntoView()")
    browser.wait("document.querySelectorAll('figure.curve.drawn canvas').length > 0")


def nothing_hostile_runs(browser, url):
    browser.open(url)
    bring_curves_near(browser)
    assert browser.run("return document.title") == HOSTILE
    assert browser.run("return document.images.length") == 0
    assert browser.console() == [], browser.console()


def what_is_injected_is_refused(browser, url):
    browser.open(url)
    browser.run("const s = document.createElement('script'); s.textContent = 'window.taken = 1'; document.body.append(s)")
    assert browser.run("return window.taken") is None
    assert any("Content Security Policy" in line for line in browser.console())


def a_checker_of_accessibility_finds_nothing_serious(browser, url, axe):
    browser.open(url)
    bring_curves_near(browser)
    browser.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    for dark in (False, True):
        for width in (1100, 360):
            browser.look(width=width, dark=dark)
            found = serious_findings(browser, axe)
            assert not found, found
    browser.look()


def keys_zoom_and_show_all_again(browser, url):
    browser.open(url)
    bring_curves_near(browser)
    words = "document.querySelector('figure.curve output').textContent"
    whole = browser.run(f"return {words}")
    browser.run("document.querySelector('.plot').focus()")
    browser.keys("+", "+", "\ue014")  # and the right arrow
    assert browser.run(f"return {words}") != whole
    browser.keys("\ue011")  # Home
    browser.wait(f"{words} === {whole!r}")


def fingers(browser, kind, *xs):
    y = browser.run("const box = document.querySelector('.u-over').getBoundingClientRect(); return box.top + box.height / 2")
    browser.devtools("Input.dispatchTouchEvent", type=kind, touchPoints=[{"x": x, "y": y, "id": i} for i, x in enumerate(xs)])


def two_fingers_zoom(browser, url):
    browser.look(width=360, touch=True)
    browser.open(url)
    bring_curves_near(browser)
    words = "document.querySelector('figure.curve output').textContent"
    whole = browser.run(f"return {words}")
    fingers(browser, "touchStart", 150, 200)
    fingers(browser, "touchMove", 140, 210)
    fingers(browser, "touchMove", 110, 250)
    fingers(browser, "touchEnd")
    browser.wait(f"{words} !== {whole!r}")
    browser.look()


def a_mouse_drawn_across_zooms(browser, url):
    browser.open(url)
    bring_curves_near(browser)
    words = "document.querySelector('figure.curve output').textContent"
    whole = browser.run(f"return {words}")
    box = browser.run("const box = document.querySelector('.u-over').getBoundingClientRect(); return [box.left, box.top, box.width]")
    for kind, share in (("mousePressed", 0.3), ("mouseMoved", 0.5), ("mouseMoved", 0.6), ("mouseReleased", 0.6)):
        browser.devtools("Input.dispatchMouseEvent", type=kind, x=box[0] + box[2] * share, y=box[1] + 40, button="left", buttons=1,
                         clickCount=1)
    browser.devtools("Input.dispatchMouseEvent", type="mouseMoved", x=2, y=2)
    browser.wait(f"{words} !== {whole!r} && {words}.includes(' to ')")


def what_is_selected_is_a_spreadsheet(browser, url, devices):
    """Text between tabs, as a browser gives it to the clipboard: numbers without a sign or unit in their way."""
    browser.open(url)
    text = browser.run("getSelection().selectAllChildren(document.getElementById('devices')); return getSelection().toString()")
    lines = [line.split("\t") for line in text.strip("\n").split("\n")]
    assert len(lines) == devices + 1 and len({len(line) for line in lines}) == 1, lines
    for line in lines[1:]:
        for title, cell in zip(lines[0], line):
            assert not ("W" in title.split() or title == "±") or cell == "" or float(cell) >= 0, (title, cell)


def nothing_is_wider_than_a_phone(browser, url):
    browser.look(width=360, touch=True)
    browser.open(url)
    assert browser.run("return document.documentElement.scrollWidth") <= 360
    browser.look()


def without_a_script_all_is_there(browser, url):
    browser.devtools("Emulation.setScriptExecutionDisabled", value=True)
    browser.open(url)
    browser.devtools("Emulation.setScriptExecutionDisabled", value=False)
    assert browser.run("return [...document.querySelectorAll('svg.still')].every(one => one.querySelector('polyline') "
                       "&& one.checkVisibility()) && document.querySelectorAll('#devices td').length > 0")


def main():
    absent = missing()
    if absent:
        print(f"SKIPPED: no {' and no '.join(absent)} here: the page was not looked at in a browser")
        return 77
    axe = (Path(sys.argv[2]) / "node_modules/axe-core/axe.min.js").read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder, Browser() as browser:
        store = Store(sys.argv[1], Path(folder))
        store.night(HOSTILE, 8.1, 25.0, gap=True, more=("--note", HOSTILE))
        store.night("Skua tower", 38.0, 121.0, seed=5, begin=1767819600)
        page = Path(folder) / "report.html"
        store.call("report", "-o", page, "--title", HOSTILE)
        url = page.as_uri()
        nothing_hostile_runs(browser, url)
        what_is_injected_is_refused(browser, url)
        a_checker_of_accessibility_finds_nothing_serious(browser, url, axe)
        keys_zoom_and_show_all_again(browser, url)
        two_fingers_zoom(browser, url)
        a_mouse_drawn_across_zooms(browser, url)
        what_is_selected_is_a_spreadsheet(browser, url, devices=2)
        nothing_is_wider_than_a_phone(browser, url)
        without_a_script_all_is_there(browser, url)
    print("ok")
    return 0


if __name__ == "__main__":
    sys.exit(main())
