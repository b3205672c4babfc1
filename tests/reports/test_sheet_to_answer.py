"""From the clipboard to the answer: print, write, type in, check, correct what is marked, ask.

Everything is typed by the titles a person sees: those printed on the sheet, found again in the first
row of the blank workbook.
"""

from __future__ import annotations

import contextlib
import io
import re
from datetime import date, timedelta

import pytest
import rungwise as rw
from openpyxl import load_workbook
from rungwise.command import main
from rungwise.reports import sheet
from rungwise.reports.sheet import write_sheet
from rungwise.tables.marked import ERROR, WARNING, write_marked_copy
from rungwise.tables.schema import schema
from rungwise.tables.workbook import write_workbook

TODAY = date(2026, 11, 25)
FIRST = date(2026, 3, 4)
# A declined probe in baseline, then fear that comes down once exposure begins.
BASELINE, EXPOSURE = [8, 9, None, 8, 9, 8], [7, 6, 5, 4, 4, 3, 2, 2, 1]


class Printed:
    """A printed sheet as a person sees it: what is known, the blanks of a line, and their titles."""

    def __init__(self, html: str, table: str):
        self.table = table
        self.known = {
            name: value
            for name, value in re.findall(rf'class="line" data-field="{table}\.(\w+)">([^<]*)<', html)
            if value
        } | dict(re.findall(rf'class="tick on" data-field="{table}\.(\w+)" data-value="(\w+)"', html))
        lines = [row for row in re.findall(r"<tr style.*?</tr>", html) if f'data-field="{table}.' in row]
        self.lines = len(lines)
        found = re.findall(rf'data-field="{table}\.(\w+)"(?: data-value="(\w+)")?', lines[0])
        self.blanks: dict[str, list[str]] = {}
        for name, value in found:
            self.blanks.setdefault(name, []).append(value)
        self.titles = set(re.findall(r"<th[^>]*>([^<]+)<|$", html)) - {""}
        self.titles |= set(re.findall(r'class="title">([^<]+)<', html))

    def line(self, **written):
        """Write a line with a pen: only where there is a blank, and only ticking boxes that are there."""
        for name, value in written.items():
            assert name in self.blanks, f"there is nowhere to write {name}"
            if any(self.blanks[name]):
                assert value in self.blanks[name]
        return self.known | written


def type_in(book, printed, lines):
    """Type lines into the sheet of the workbook, each under the title that stands on paper."""
    page = book[printed.table]
    # The workbook adds a unit in brackets and a star where a column is needed.
    columns = {
        re.sub(r" \([^)]*\)", "", str(cell.value).removesuffix(" *")): cell.column for cell in page[1]
    }
    row = page.max_row
    for line in lines:
        row += 1
        for name, value in line.items():
            title = schema(printed.table).fields[name].title
            assert title in printed.titles, f"{title} is not printed on the sheet"
            page.cell(row, columns[title]).value = value


@pytest.fixture(autouse=True)
def no_browser(monkeypatch):
    monkeypatch.setattr(sheet, "find_browser", lambda: None)


def weeks():
    for place, rating in enumerate(BASELINE + EXPOSURE):
        yield FIRST + timedelta(weeks=place), rating, place >= len(BASELINE)


def correct(marked, problem_code, right, *, kind="Error"):
    """Put right what is marked, as the problems sheet says, in the copy itself; give the check of it."""
    book = load_workbook(marked)
    problems = [row for row in book["Problems"].iter_rows(min_row=2) if row[6].value == problem_code]
    assert len(problems) == 1
    link = next(cell.hyperlink.location for cell in problems[0] if cell.hyperlink)
    page, address = link.replace("'", "").split("!")
    cell = book[page][address]
    assert cell.fill.start_color.rgb == (ERROR if kind == "Error" else WARNING)
    assert cell.comment.text.startswith(f"{kind}: ")
    cell.value = right
    book.save(marked)


def test_trials_from_a_probe_sheet_to_the_answer(tmp_path):
    file = write_workbook(tmp_path / "book.xlsx", 2)
    book = load_workbook(file)
    book["children"].append(["C014"])
    for step, activity in enumerate(("Stand at the top", "Two steps down", "Half way", "All the way"), 1):
        book["ladders"].append(["gangway", step, activity])
    book["plans"].append(["C014", "gangway", 3, "yes", "yes", 1, 0, 10, "child", "harbor"])
    exposure_starts = FIRST + timedelta(weeks=len(BASELINE))
    book["phases"].append(["C014", "gangway", FIRST, "baseline"])
    book["phases"].append(["C014", "gangway", exposure_starts, "exposure"])
    book.save(file)

    # The sheet is printed from the workbook before anything was rated.
    (page,) = write_sheet(file, "C014", to=tmp_path / "probe.html", kind="probe", today=TODAY)
    html = page.read_text()
    assert '<li class="probe"><span class="number">3</span><span class="activity">Half way<' in html
    probes, incidents = Printed(html, "observations"), Printed(html, "incidents")
    assert probes.known == {
        "child_id": "C014", "ladder_id": "gangway", "kind": "probe", "step": "3", "rated_by": "child",
    }  # fmt: skip

    lines = [
        probes.line(date=day, outcome="declined", fear_before=9, setting="harbor")
        if rating is None
        else probes.line(date=day, outcome="completed", fear_before=rating, fear_peak=rating, fear_end=1)
        for day, rating, _ in weeks()
    ]
    lines[9] = probes.line(date=lines[9]["date"], outcome="partial", fear_before=5, fear_peak=44)
    type_in(book, probes, lines)
    fall = incidents.line(date=exposure_starts, kind="near_fall", severity="minor", action="calm end")
    type_in(book, incidents, [{"child_id": "C014", "ladder_id": "gangway", **fall}])
    book.save(file)

    report = rw.check(file, today=TODAY)
    assert [problem.severity for problem in report.errors] == ["error"]
    (wrong,) = report.errors
    assert (wrong.table, wrong.column, wrong.value) == ("observations", "Fear peak", "44")
    assert not report.ok
    before = file.read_bytes()
    marked = write_marked_copy(file, report, tmp_path / "marked.xlsx")
    assert file.read_bytes() == before

    correct(marked, wrong.code, 4)
    assert rw.check(marked, today=TODAY).ok
    caseload = rw.read_caseload(marked, today=TODAY)
    answer = rw.child_answer(caseload, "C014")
    series = answer.ladders[0].series
    assert series.of("exposure").tolist() == EXPOSURE
    assert series.declined.tolist() == [rating is None for rating in BASELINE + EXPOSURE]
    assert (series.floor, series.ceiling) == (0, 10)
    assert answer.verdict.code.startswith("fell")
    assert answer.level == 2
    assert answer.set_aside == 0
    assert len(caseload.tables["incidents"]) == 1


def rungwise(*arguments):
    """Call the command line; give its exit code and what it says."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = main([*map(str, arguments), "--today", str(TODAY)])
    return code, said.getvalue()


def test_everything_a_practice_records_from_paper_to_the_answer_on_the_command_line(tmp_path):
    """Level 3: every kind of sheet is typed in, what is wrong is marked, corrected, and the child asked."""
    file, marked, out = tmp_path / "book.xlsx", tmp_path / "marked.xlsx", tmp_path / "sheets"
    write_workbook(file, 3)
    book = load_workbook(file)
    book["children"].append(["C014"])
    for step, activity in enumerate(("Stand at the top", "Two steps down", "Half way", "All the way"), 1):
        book["ladders"].append(["gangway", step, activity])
    book["plans"].append(["C014", "gangway", 3, "yes", "yes", 1, 0, 20, "therapist", "harbor"])
    starts = FIRST + timedelta(weeks=len(BASELINE))
    book["phases"].append(["C014", "gangway", FIRST, "baseline"])
    book["phases"].append(["C014", "gangway", starts, "exposure"])
    book.save(file)

    pages = {}
    for kind in ("probe", "approach", "practice", "home", "observer"):
        code, said = rungwise("sheet", file, "C014", "--kind", kind, "--level", 3, "--to", out)
        assert code == 0, said
        pages[kind] = (out / f"sheet_{kind}_C014.html").read_text(encoding="utf-8")
        assert "0, no fear, to 20, most fear ever" in pages[kind]

    def trials(kind):
        return Printed(pages[kind], "agreement" if kind == "observer" else "observations")

    probe, practice = trials("probe"), trials("practice")
    type_in(book, probe, [
        probe.line(date=day, outcome="declined", fear_before=19, setting="harbor", recorded_on=day)
        if rating is None
        else probe.line(date=day, outcome="completed", fear_before=2 * rating, fear_peak=2 * rating)
        for day, rating, _ in weeks()
    ])  # fmt: skip
    day = starts + timedelta(days=1)
    once = {"date": day, "setting": "harbor", "rated_by": "therapist", "rater_id": "T1", "recorded_on": day}
    type_in(book, practice, [
        {**once, **practice.line(trial=1, step=1, outcome="completed", fear_before=8, fear_peak=9,
                                 minutes=4, repetitions=2)},
        # Planted: a step that the ladder lacks.
        {**once, **practice.line(trial=2, step=9, outcome="partial", fear_before=12, fear_peak=14)},
    ])  # fmt: skip
    extras = {"attended": "yes", "exposure_minutes": 25, "steps_planned": 8, "steps_done": 7}
    for table, names in (("sessions", 2), ("fidelity", 2)):
        printed = Printed.__new__(Printed)
        printed.table, printed.titles = table, practice.titles
        asked = {name: value for name, value in extras.items() if name in schema(table).fields}
        assert len(asked) == names
        assert all(f'data-field="{table}.{name}"' in pages["practice"] for name in asked)
        type_in(book, printed, [{"child_id": "C014", "date": day, **asked}])
    approach, home, observer = trials("approach"), trials("home"), trials("observer")
    later = {**once, "date": day + timedelta(days=1), "recorded_on": day + timedelta(days=1)}
    type_in(book, approach, [
        {**later, **approach.line(step=1, outcome="completed", fear_before=3, fear_peak=4)},
        # Planted: the day of the recording is before the day itself.
        {**later, **approach.line(step=2, outcome="declined", fear_before=15), "recorded_on": FIRST},
    ])  # fmt: skip
    at_home = home.line(
        date=day + timedelta(days=2), step=1, outcome="completed", fear_before=2, fear_peak=3
    )
    type_in(book, home, [{**at_home, "rated_by": "parent"}])
    seen = observer.line(date=day, trial=1, kind="practice", step=1, outcome="completed", fear_peak=10)
    # Planted: the second observer bears the code of the first.
    type_in(book, observer, [{**seen, "rater_id": "T1"}])
    falls = Printed(pages["practice"], "incidents")
    fall = falls.line(date=day, kind="near_fall", severity="minor", step=1, setting="harbor", action="rest")
    type_in(book, falls, [{"child_id": "C014", "ladder_id": "gangway", **fall}])
    book.save(file)

    before = file.read_bytes()
    code, said = rungwise("check", file, "--mark", marked)
    assert code == 3
    codes = {"unknown_step", "same_rater", "recorded_before"}
    assert {planted for planted in codes if f"[{planted}]" in said} == codes
    assert file.read_bytes() == before
    correct(marked, "unknown_step", 2)
    correct(marked, "same_rater", "T2")
    correct(marked, "recorded_before", later["date"], kind="Warning")
    code, said = rungwise("check", marked)
    assert (code, said.splitlines()[0].startswith("No problems")) == (0, True), said

    code, said = rungwise("child", marked, "C014")
    assert code == 0
    assert said.startswith("C014's fear came down")
    caseload = rw.read_caseload(marked, today=TODAY)
    assert caseload.level == 3
    assert caseload.series("C014", "gangway").of("exposure").tolist() == [2 * rating for rating in EXPOSURE]
    kinds = caseload.tables["observations"]["kind"].tolist()
    assert [kinds.count(kind) for kind in ("probe", "practice", "approach")] == [15, 3, 2]
    sizes = {
        name: len(caseload.tables[name]) for name in ("sessions", "fidelity", "agreement", "incidents")
    }
    assert sizes == {"sessions": 1, "fidelity": 1, "agreement": 1, "incidents": 1}


def test_a_blank_weekly_sheet_to_the_answer(tmp_path):
    (page,) = write_sheet(to=tmp_path / "week.html", blank=True, paper="letter")
    ratings = Printed(page.read_text(), "ratings")
    assert ratings.known == {}
    # A quarter of weeks fits on one sheet.
    assert ratings.lines >= 13

    file = write_workbook(tmp_path / "book.xlsx", 1)
    book = load_workbook(file)
    book["children"].append(["C014"])
    lines = [
        ratings.line(date=day, phase="exposure" if started else "baseline", declined="yes")
        if rating is None
        else ratings.line(date=day, phase="exposure" if started else "baseline", rating=rating)
        for day, rating, started in weeks()
    ]
    lines[3]["phase"] = "expsure"
    type_in(book, ratings, [{"child_id": "C014", "rated_by": "child", **line} for line in lines])
    book.save(file)

    report = rw.check(file, today=TODAY)
    (wrong,) = report.errors
    assert (wrong.table, wrong.column, wrong.value) == ("ratings", "Phase *", "expsure")
    marked = write_marked_copy(file, report, tmp_path / "marked.xlsx")
    correct(marked, wrong.code, "baseline")
    assert rw.check(marked, today=TODAY).ok
    answer = rw.child_answer(rw.read_caseload(marked, today=TODAY), "C014")
    series = answer.ladders[0].series
    assert series.declined.tolist() == [rating is None for rating in BASELINE + EXPOSURE]
    assert answer.verdict.code.startswith("fell")
    assert (answer.level, answer.set_aside) == (1, 0)


@pytest.mark.parametrize("kind", ["approach", "practice", "home"])
def test_lines_of_the_other_sheets_are_sound_when_typed_in(tmp_path, kind):
    file = write_workbook(tmp_path / "book.xlsx", 2)
    book = load_workbook(file)
    book["children"].append(["C014"])
    for step in (1, 2, 3):
        book["ladders"].append(["gangway", step, f"Step {step}"])
    book["plans"].append(["C014", "gangway", 3])
    book["phases"].append(["C014", "gangway", FIRST, "exposure"])
    book.save(file)
    (page,) = write_sheet(file, to=tmp_path / f"{kind}.html", kind=kind, today=TODAY)
    printed = Printed(page.read_text(), "observations")
    once = {"date": FIRST, "rated_by": "parent"}
    done = {"outcome": "completed", "fear_before": 4, "fear_peak": 5}
    said_no = {"outcome": "declined", "fear_before": 9}
    lines = [printed.line(step=1, **done), printed.line(step=2, **said_no)]
    if "trial" in printed.blanks:
        lines = [{"trial": place + 1, **line} for place, line in enumerate(lines)]
    type_in(book, printed, [{**once, **line} for line in lines])
    book.save(file)
    report = rw.check(file, today=TODAY)
    assert report.errors == ()
    found = rw.read_caseload(file, today=TODAY).tables["observations"]
    assert found["outcome"].tolist() == ["completed", "declined"]
    assert found["kind"].tolist() == ["practice" if kind == "home" else kind] * 2
