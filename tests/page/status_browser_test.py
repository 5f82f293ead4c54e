#!/usr/bin/env python3
"""The status page in headless Chromium: what it shows, that hostile text stays text, that it is usable by keyboard, on a
phone, in the dark and by assistive programs. Usage: status_browser_test.py BINARIES NPM_FOLDER [FOLDER_FOR_PICTURES]"""

import re
import sys
import traceback
from pathlib import Path

from browser import Browser, missing, serious_findings
from recorder import Recorder, eventually

NIGHT = "noise white 0.2\nlevel 5 for 20s\nlevel 25 for 2h\n"
TOKEN = "0123456789abcdef"
WHAT_IT_FETCHED = 'performance.getEntriesByType("resource").map((one) => one.name)'


def hostile(what):
    return f'{what} <img src=x onerror="window.taken=1"></td><script>window.taken=1</script>&amp;'


def text(browser):
    return browser.run("return document.body.innerText")


def ready(browser):
    eventually("a curve is drawn", 15, lambda: browser.run('return !!document.querySelector("svg.curve .mean")'))


def it_shows_meter_power_run_and_level_and_goes_on_by_itself(browser, recorder):
    browser.open(recorder.url)
    ready(browser)
    eventually("a level with its uncertainty", 20, lambda: re.search(r"\d ± 0?\.?\d+.* W", text(browser)))
    shown = text(browser)
    assert "recording" in shown
    assert re.search("idle|plateau|unsteady|ramp", shown)
    readings = ('return [...document.querySelectorAll("dt")].find((one) => one.textContent === "Readings").nextSibling.textContent')
    before = browser.run(readings)
    eventually("more readings", 5, lambda: browser.run(readings) != before)
    eventually("the page says what it saw", 6, lambda: any("/live/seen?stream=" in url for url in browser.run(f"return {WHAT_IT_FETCHED}")))


def names_notes_and_marks_that_are_scripts_stay_text(browser, _):
    eventually("the hostile run is shown", 15, lambda: hostile("device") in text(browser))
    eventually("its mark is shown", 15, lambda: hostile("mark") in text(browser))
    shown = text(browser)
    for what in ("meter", "device", "note", "mark"):
        assert hostile(what)[:64] in shown, f"{what} is not there as it was typed"
    eventually("the run list has it too", 5, lambda: browser.run(
        'return [...document.querySelectorAll("#runs td")].some((one) => one.textContent === arguments[0])', hostile("device")))
    assert browser.run("return window.taken") is None
    assert browser.run("return document.images.length") == 0
    assert browser.run("return document.scripts.length") == 1


def everything_it_fetches_comes_from_the_service_and_the_browser_has_nothing_to_complain_of(browser, recorder):
    fetched = browser.run(f"return {WHAT_IT_FETCHED}")
    assert len(fetched) >= 3
    assert all(url.startswith(recorder.url) for url in fetched), fetched
    assert browser.console() == []


def it_holds_still_by_keyboard_alone_and_goes_on_again(browser, _):
    pressed = 'return document.getElementById("pause").getAttribute("aria-pressed")'
    browser.keys("\ue004")  # the tabulator
    assert browser.run("return document.activeElement.id") == "pause"
    browser.keys(" ")
    assert browser.run(pressed) == "true"
    assert "Held still" in text(browser)
    browser.keys(" ")
    assert browser.run(pressed) == "false"
    eventually("it goes on", 5, lambda: "meters recording" in text(browser))


def on_a_phone_a_meter_takes_half_a_screen_and_the_rest_is_one_touch_away(browser, _):
    browser.look(width=390, touch=True)
    eventually("it is laid out anew", 5, lambda: browser.run("return innerWidth === 390"))
    eventually("it is folded", 5, lambda: browser.run('return !document.querySelector("details.more").open'))
    height = browser.run('return document.querySelector(".card").getBoundingClientRect().height')
    assert height <= 844 / 2, height  # of the 390 by 844 points of a usual phone (common practice, no source)
    picture(browser, "page-phone")
    browser.run('document.querySelector("details.more > summary").click()')
    assert "Last reading" in text(browser)
    browser.look()
    eventually("all is shown where there is room", 5, lambda: browser.run('return document.querySelector("details.more").open'))


def light_and_dark_wide_and_narrow_nothing_sticks_out_and_a_checker_of_accessibility_finds_nothing_serious(browser, _):
    for dark in (False, True):
        for width in (1100, 390):
            browser.look(width=width, dark=dark, touch=width < 600)
            eventually("it is laid out anew", 5, lambda: browser.run("return innerWidth === arguments[0]", width))
            assert browser.run("return document.documentElement.scrollWidth <= innerWidth")
            picture(browser, f"page-{'dark' if dark else 'light'}-{width}")
            found = serious_findings(browser, axe())
            assert not found, (dark, width, found)


def the_report_of_the_hostile_run_opens_from_the_list_and_its_script_and_style_run_under_its_policy(browser, recorder):
    browser.console()
    browser.run('document.querySelector("#runs a").click()')
    eventually("the report", 10, lambda: browser.url().endswith("/runs/1") and hostile("device") in text(browser))
    assert browser.run("return window.taken") is None
    assert browser.run("return getComputedStyle(document.body).marginTop") == "0px"  # not the browser's 8 px
    assert browser.console() == []
    picture(browser, "report")
    browser.open(recorder.url)
    ready(browser)


def when_the_service_ends_the_page_says_so(browser, recorder):
    recorder.service.terminate()
    eventually("the page says it", 10, lambda: "does not answer" in text(browser))


def a_token_is_asked_for_refused_where_wrong_and_gone_from_the_address_where_right(browser, recorder):
    def enter(word):
        browser.run('document.getElementById("token").value = arguments[0]; document.querySelector("form button").click()', word)

    browser.open(recorder.url)
    assert "wants its token" in text(browser)
    picture(browser, "page-token")
    enter("not the token at all")
    eventually("it says no", 5, lambda: "was not the token" in text(browser))
    enter(TOKEN)
    ready(browser)
    assert browser.url() == f"{recorder.url}/"
    assert browser.run("return document.cookie") == ""


def axe():
    return (Path(sys.argv[2]) / "node_modules/axe-core/axe.min.js").read_text(encoding="utf-8")


def picture(browser, name):
    if len(sys.argv) > 3:
        browser.picture(Path(sys.argv[3]) / f"{name}.png")


def failures(browser, recorder, *checks):
    failed = 0
    for check in checks:
        name = check.__name__.replace("_", " ")
        try:
            check(browser, recorder)
            print(f"ok: {name}")
        except Exception:
            failed += 1
            print(f"FAILED: {name}\n{traceback.format_exc()}")
    return failed


def main():
    absent = missing()
    if absent:
        print(f"SKIPPED: no {' and no '.join(absent)} here: the page was not looked at in a browser")
        return 77
    with Browser() as browser:
        with Recorder(sys.argv[1], NIGHT, meter=hostile("meter")[:64]) as recorder:
            recorder.ask("begin", hostile("device"), "--note", hostile("note"))
            recorder.ask("mark", hostile("mark"))
            failed = failures(
                browser, recorder, it_shows_meter_power_run_and_level_and_goes_on_by_itself, names_notes_and_marks_that_are_scripts_stay_text,
                everything_it_fetches_comes_from_the_service_and_the_browser_has_nothing_to_complain_of,
                it_holds_still_by_keyboard_alone_and_goes_on_again,
                on_a_phone_a_meter_takes_half_a_screen_and_the_rest_is_one_touch_away,
                light_and_dark_wide_and_narrow_nothing_sticks_out_and_a_checker_of_accessibility_finds_nothing_serious,
                the_report_of_the_hostile_run_opens_from_the_list_and_its_script_and_style_run_under_its_policy,
                when_the_service_ends_the_page_says_so)
        with Recorder(sys.argv[1], NIGHT, page=f'token = "{TOKEN}"') as recorder:
            failed += failures(browser, recorder, a_token_is_asked_for_refused_where_wrong_and_gone_from_the_address_where_right)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
