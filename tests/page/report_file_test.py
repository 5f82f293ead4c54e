#!/usr/bin/env python3
"""The report's file read by parsers that are not ours (Python's html.parser and json). Usage: ... NIGHTWATT NPM_FOLDER"""

import base64
import hashlib
import json
import os
import re
import sys
import tempfile
import time
from html.parser import HTMLParser
from pathlib import Path

from nights import HOSTILE, Store

VOID = {"meta", "img", "br", "hr", "input", "link", "col", "base", "source", "track", "wbr", "area", "embed"}
LOADING = {"src", "href", "srcset", "data", "action", "formaction", "poster", "background", "xlink:href", "ping", "manifest"}


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.faults, self.tags, self.texts, self.rows, self.ids = [], [], [], {}, [], set()
        self.raw = None
        self.feed(text)
        self.close()
        self.faults += [f"<{tag}> is never closed" for tag in self.open]

    def handle_starttag(self, tag, attributes):
        names = [name for name, _ in attributes]
        self.tags.append((tag, dict(attributes)))
        if len(set(names)) != len(names):
            self.faults.append(f"<{tag}> has an attribute twice")
        for name, value in attributes:
            if name == "id":
                if value in self.ids:
                    self.faults.append(f"id {value} twice")
                self.ids.add(value)
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th") and self.rows:
            self.rows[-1].append("")
        if tag in ("script", "style"):
            self.raw = (tag, dict(attributes).get("id", ""))
            self.texts[self.raw] = ""

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"</{tag}> within {self.open[-3:]}")
        else:
            self.open.pop()
        self.raw = None

    def handle_data(self, text):
        if self.raw:
            self.texts[self.raw] += text
        elif self.rows and self.open and ("td" in self.open or "th" in self.open):
            self.rows[-1][-1] += text


def page_of(store, *words):
    path = store.folder / "report.html"
    store.call("report", *words, "-o", path)
    text = path.read_text(encoding="utf-8")
    return text, Page(text)


def data_of(page):
    return json.loads(page.texts[("script", "data")])


def well_formed_and_alone(store):
    text, page = page_of(store)
    assert not page.faults, page.faults
    for tag, attributes in page.tags:
        assert tag not in ("link", "iframe", "object", "embed", "base"), tag
        for name, value in attributes.items():
            inner = tag == "a" and name == "href" and value.startswith("#") and value[1:] in page.ids
            assert inner or name not in LOADING, (tag, name, value)
            assert not name.startswith("on") and name != "style", (tag, name)
            assert "url(" not in (value or "") , (tag, name, value)
    assert not re.search(r"@import|url\((?!#)", page.texts[("style", "")])
    assert not re.search(r"https?://(?!www\.w3\.org/)", re.sub(r"<script>.*</script>", "", text, flags=re.S))
    assert len(text.encode()) < 2_000_000


def policy_names_what_runs(store):
    _, page = page_of(store)
    policy = next(a["content"] for t, a in page.tags if t == "meta" and a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none';"), policy
    assert "unsafe" not in policy, policy
    for kind in ("script", "style"):
        digest = base64.b64encode(hashlib.sha256(page.texts[(kind, "")].encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy, policy


def values_are_those_of_compare_and_segments(store):
    _, page = page_of(store)
    data = data_of(page)
    compare = store.json("compare")
    assert data["compare"] == compare
    assert data["runs"]
    for run in data["runs"]:
        segments = store.json("segments", run["run"]) if run.get("curve") else {"segments": []}
        assert run["segments"] == segments["segments"], run["run"]
    heading = next(row for row in page.rows if row and row[0] == "device")
    cells = {row[0]: row for row in page.rows if len(row) == len(heading)}
    for device in compare["devices"]:
        row = cells[device["device"]]
        for name in ("standby", "idle", "load"):
            if name + ", W" not in heading:
                assert all(device[name + "_w"] is None for device in compare["devices"])
                continue
            column = heading.index(name + ", W")
            value, uncertainty = device[name + "_w"], device[name + "_uncertainty_w"]
            if value is None:
                assert row[column] == "" and row[column + 1] == "", row
                continue
            # What the table shows is the value, rounded no coarser than its uncertainty allows.
            assert abs(float(row[column]) - value) <= 0.051 * uncertainty, (row, name)
            assert abs(float(row[column + 1]) - uncertainty) <= 0.06 * uncertainty, (row, name)


def a_table_row_is_a_spreadsheet_row(store):
    """Cells of numbers hold a number alone: nothing that a spreadsheet would take for text."""
    _, page = page_of(store)
    heading = next(row for row in page.rows if row and row[0] == "device")
    rows = [row for row in page.rows if len(row) == len(heading) and row is not heading]
    assert len(rows) == len(store.json("compare")["devices"])
    for row in rows:
        for title, cell in zip(heading, row):
            if ", W" in title or title == "±":
                assert cell == "" or float(cell) >= 0.0, (title, cell)
            assert "\t" not in cell and "\n" not in cell


def no_peak_vanishes_and_no_line_crosses_a_gap(store):
    run = store.night("Petrel case", 20.0, 60.0, seconds=20_000, gap=True, peak_w=93.7)
    _, page = page_of(store, run)
    curve = data_of(page)["runs"][0]["curve"]
    unit = curve["unit_w"]
    assert abs(max(v for v in curve["highest"] if v is not None) * unit - 93.7) < 0.01
    assert curve["mean"].count(None) == 1 and len(curve["ms"]) == len(curve["mean"]) <= 2000
    at = curve["mean"].index(None)
    assert curve["ms"][at + 1] - curve["ms"][at - 1] > 280_000
    assert all(low <= mean <= high for low, mean, high in zip(curve["lowest"], curve["mean"], curve["highest"]) if mean is not None)
    assert sum(1 for tag, a in page.tags if tag == "polyline") == 2  # one before the gap, one after
    store.call("drop", run)


def hostile_text_stays_text(store):
    run = store.night(HOSTILE, 5.0, 9.0, more=("--note", HOSTILE, "--includes", HOSTILE.replace(",", ""), "--set", "key=" + HOSTILE))
    text, page = page_of(store, run, "--title", HOSTILE, "--note", HOSTILE)
    assert not page.faults, page.faults
    assert [tag for tag, _ in page.tags].count("script") == 2 and "img" not in [tag for tag, _ in page.tags]
    assert any(HOSTILE in cell for row in page.rows for cell in row)
    data = data_of(page)
    assert data["runs"][0]["device"] == HOSTILE and data["title"] == HOSTILE
    for forbidden in ("<", ">", "&", "\u2028", "\u2029"):
        assert forbidden not in page.texts[("script", "data")]
    assert not page_of(store, "1")[1].faults
    store.call("drop", run)


def an_entered_row_and_a_run_without_a_level_are_told_in_words(store):
    entered = store.json("enter", "Old tower", "--idle", "38", "--load", "120")["run"]
    path = store.folder / "short.csv"
    path.write_text("time,power_w\n1767646800,5.0\n1767646801,9.0\n")
    short = store.json("import", path, "--device", "Short one")["run"]
    text, page = page_of(store, entered, short)
    assert not page.faults, page.faults
    assert "there are no readings behind this row" in text and "not in the record" in text
    # Each row is said to be what it is: these two were never read over a meter's interface.
    assert "from a display" in text and "from a file" in text and "over its own interface" not in text
    assert "entered by hand" in text
    for run in (entered, short):
        store.call("drop", run)


def errors_are_one_line_and_leave_nothing_behind(store):
    before = sorted(path.name for path in store.folder.iterdir())
    there = store.folder / "there.html"
    there.write_text("old")
    for words, status in (((99,), 1), (("x",), 2), ((1, "--format", "pdf"), 2)):
        done = store.call("report", *words, "-o", there, status=status)
        assert done.stderr.count("\n") == 1 and done.stdout == "", done
    assert there.read_text() == "old"
    done = store.call("report", 1, "-o", store.folder / "nowhere" / "r.html", status=3)
    assert done.stderr.count("\n") == 1 and "nowhere/r.html" in done.stderr
    done = store.call("report", 1, "-o", store.folder, status=2)
    assert done.stderr.count("\n") == 1
    if os.geteuid() != 0:
        closed = store.folder / "closed"
        closed.mkdir(mode=0o555)
        store.call("report", 1, "-o", closed / "r.html", status=3)
        closed.rmdir()
    there.unlink()
    assert sorted(path.name for path in store.folder.iterdir()) == before
    empty = Store(store.program, store.folder / "empty")
    empty.folder.mkdir()
    (empty.folder / "a.csv").write_text("time,power_w\n1767646800,5.0\n")
    run = empty.json("import", empty.folder / "a.csv", "--device", "One")["run"]
    empty.call("drop", run)
    done = empty.call("report", "-o", empty.folder / "r.html", status=1)
    assert done.stderr.count("\n") == 1


def what_only_the_tools_user_can_do_is_not_on_the_page(store):
    """Two idles nearly alike in what they are, an unknown step: both are warned of, with what to do about it."""
    path = store.folder / "old.csv"
    path.write_text("time,power_w\n" + "".join(f"{1767646800 + i},{8 if i < 900 else 25}\n" for i in range(1800)), encoding="utf-8")
    run = store.json("import", path, "--device", "Fulmar hub")["run"]
    path.unlink()
    told = [one for one in store.json("summary", run)["warnings"] if "(to do: " in one]
    assert told, "no warning with advice: the check checks nothing"
    text, page = page_of(store, run)
    visible = "".join(" ".join(row) for row in page.rows) + re.sub(r"<script.*?</script>|<style.*?</style>|<[^>]*>", " ", text, flags=re.S)
    for one in told:
        assert one.split(" (to do: ")[0].replace("'", "&#39;") in visible, one
    assert "to do:" not in visible and "--" not in visible and "nightwatt " not in visible, visible
    store.call("drop", run)


def figures_lead_to_the_curves_they_are_from(store):
    _, page = page_of(store)
    curves = {f"#run-{a['data-run']}" for tag, a in page.tags if tag == "figure" and a.get("class") == "curve"}
    links = [a["href"] for tag, a in page.tags if tag == "a"]
    figures = sum(one[name] is not None for one in store.json("compare")["devices"] for name in ("standby_w", "idle_w", "load_w"))
    assert len(links) >= figures and set(links) <= curves, (links, curves)


def time_marks_stand_at_round_local_times(store):
    text, _ = page_of(store)
    marks = [mark for part in re.findall(r'<svg class="still".*?</figure>', text, flags=re.S)
             for mark in re.findall(r'<text class="mark" x="[^"]*%" y="[^"]*" text-anchor="[a-z]+">(\d\d:\d\d)<', part)]
    assert len(marks) >= 9 and all(int(mark[3:]) % 10 == 0 for mark in marks), marks


def a_display_of_whole_watts_shows_no_hundredths(store):
    path = store.folder / "whole.csv"
    path.write_text("time,power_w\n" + "".join(f"{1767646800 + i},{37 + i % 7 // 6}\n" for i in range(1800)), encoding="utf-8")
    run = store.json("import", path, "--device", "Dunlin server", "--resolution", "1")["run"]
    path.unlink()
    text, page = page_of(store, run)
    shown = " ".join(" ".join(row) for row in page.rows) + re.sub(r"<script.*?</script>|<style.*?</style>|<details>.*?</details>|<[^>]*>", " ", text, flags=re.S)
    watts = re.findall(r"(\d+(?:\.\d+)?) W\b", shown) + [cell for row in page.rows for cell in row if re.fullmatch(r"3[78](\.\d+)?", cell)]
    assert watts and all(len(number.partition(".")[2]) <= 1 for number in watts), watts
    store.call("drop", run)


def a_picture_for_those_who_post_is_a_png_of_table_and_bars(store):
    """The size stands in the header (PNG, W3C Recommendation, 11.2.2); that something is drawn shows in its bytes."""
    path = store.folder / "table.png"
    store.call("report", "--format", "png", "--title", "What Skerry Point draws", "-o", path)
    png = path.read_bytes()
    assert png[:16] == b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", png[:16]
    width, height = (int.from_bytes(png[at : at + 4], "big") for at in (16, 20))
    assert 1000 < width < 4000 and 300 < height < 2000 and len(png) > 10_000, (width, height, len(png))
    path.unlink()


def a_chart_alone_is_one_svg(store):
    path = store.folder / "bars.svg"
    store.call("report", "--format", "svg", "-o", path)
    from xml.etree import ElementTree
    tree = ElementTree.parse(path)
    assert tree.getroot().tag == "{http://www.w3.org/2000/svg}svg"
    texts = "".join(tree.getroot().itertext())
    for device in store.json("compare")["devices"]:
        assert device["device"] in texts
    path.unlink()


def main():
    with tempfile.TemporaryDirectory() as folder:
        store = Store(sys.argv[1], Path(folder))
        store.night("Gannet board", 4.2, 7.9, seed=3, more=("--includes", "adapter"))
        store.night("Puffin mini", 8.1, 25.0, seed=4, begin=1767733200, gap=True)
        store.night("Skua tower", 38.0, 121.0, seed=5, begin=1767819600)
        page_of(store)
        failed = 0
        for check in (well_formed_and_alone, policy_names_what_runs, values_are_those_of_compare_and_segments,
                      a_table_row_is_a_spreadsheet_row, no_peak_vanishes_and_no_line_crosses_a_gap, hostile_text_stays_text,
                      an_entered_row_and_a_run_without_a_level_are_told_in_words,
                      errors_are_one_line_and_leave_nothing_behind, a_chart_alone_is_one_svg,
                      what_only_the_tools_user_can_do_is_not_on_the_page, figures_lead_to_the_curves_they_are_from,
                      time_marks_stand_at_round_local_times, a_display_of_whole_watts_shows_no_hundredths,
                      a_picture_for_those_who_post_is_a_png_of_table_and_bars):
            name = check.__name__.replace("_", " ")
            try:
                check(store)
                print(f"ok: {name}")
            except AssertionError as problem:
                failed += 1
                line = problem.__traceback__.tb_next.tb_lineno if problem.__traceback__.tb_next else 0
                print(f"FAILED: {name} (line {line}): {str(problem)[:600]}")
        return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
