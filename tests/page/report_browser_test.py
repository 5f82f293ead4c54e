#!/usr/bin/env python3
"""The report in headless Chromium: what runs, what a checker of accessibility (axe-core) says, keys. Usage: ... NIGHTWATT NPM_FOLDER"""

import base64
import shutil
import subprocess
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
        for width in (1280, 800, 360):
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


def long_table(store):
    """Thirteen rows: three runs, ten read from displays, with names as long as people give them."""
    store.night("Gannet board, second sample, with the heavy heat sink and no fan", 4.2, 7.9, more=("--includes", "adapter,display,keyboard"))
    store.night("Skua tower with two drives", 38.0, 121.0, seed=5, begin=1767819600, more=("--set", "battery=full"))
    store.night("Puffin mini", 8.1, 25.0, seed=4, begin=1767733200)
    for i in range(10):
        store.call("enter", f"Fulmar hub {i}, bought for the weather mast in the north hut", "--idle", 11 + i, "--load", 40 + 7 * i,
                   "--includes", "adapter" if i % 2 else "adapter,weather mast")


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


def a_table_of_thirteen_long_names_is_whole_at_three_widths(browser, url):
    """No cell is cut off, and nothing needs to be moved sideways to be seen; the bars stay short."""
    for width in (1280, 800, 360):
        browser.look(width=width, touch=width < 600)
        browser.open(url)
        assert browser.run("return document.documentElement.scrollWidth") <= width, width
        sideways = browser.run("const box = document.querySelector('.scroll'); return box.scrollWidth - box.clientWidth")
        assert sideways <= 1, (width, sideways)
        cut = browser.run("return [...document.querySelectorAll('#devices th, #devices td')].filter(one => one.checkVisibility() && "
                          "(one.getBoundingClientRect().right > innerWidth + 1 || one.scrollWidth > one.clientWidth + 1 && "
                          "getComputedStyle(one).display !== 'contents' && one.closest('tbody'))).map(one => one.textContent)")
        assert not cut, (width, cut)
        assert browser.run("return document.querySelector('svg.bars').getBoundingClientRect().height") < 700
        if len(sys.argv) > 3:
            browser.picture(Path(sys.argv[3]) / f"report-{width}.png")
    browser.look()


def paper_holds_all(browser, url):
    """What is folded on the screen is on paper; read from the PDF by a program that is not ours, where it is there."""
    browser.look()
    browser.open(url)
    pdf = base64.b64decode(browser.devtools("Page.printToPDF", paperWidth=8.27, paperHeight=11.69)["data"])
    if shutil.which("pdftotext") is None:
        print("SKIPPED: no pdftotext here: the paper was not read")
        return
    text = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
    if len(sys.argv) > 3:
        (Path(sys.argv[3]) / "report.pdf").write_bytes(pdf)
    for words in ("made of", "component", "segments in numbers", "remarks", "Mains can kill", "from"):
        assert words in text, words
    for cell in browser.run("return [...document.querySelectorAll('#devices tbody tr')].map(one => one.lastChild.textContent)"):
        assert cell.split()[-1] in text


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
        many = Store(sys.argv[1], Path(folder) / "many")
        many.folder.mkdir()
        long_table(many)
        many.call("report", "-o", Path(folder) / "many.html", "--title", "What Skerry Point draws")
        a_table_of_thirteen_long_names_is_whole_at_three_widths(browser, (Path(folder) / "many.html").as_uri())
        paper_holds_all(browser, url)
        without_a_script_all_is_there(browser, url)
    print("ok")
    return 0


if __name__ == "__main__":
    sys.exit(main())
