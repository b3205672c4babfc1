"""The parts of the audit's page, from an audit of a small practice read from its files."""

import math

import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.reports import audit_page as page
from rungwise.series.caseload import read_caseload

PARTS = (
    page.first_page, page.who_was_there, page.verdicts, page.every_child, page.beside_verdicts,
    page.groups, page.scores, page.standards, page.quarters, page.incidents, page.to_discuss,
    page.actions, page.completeness, page.put_aside, page.trust, page.children, page.method,
)  # fmt: skip
FALLING = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]


def lines_of(child, first, baseline, exposure, site="Harbor"):
    from datetime import date, timedelta

    day, rows = date.fromisoformat(first), []
    for phase, values in (("baseline", baseline), ("exposure", exposure)):
        for value in values:
            rating, declined = ("", "yes") if value is None else (value, "no")
            rows.append(f"{child},{day},{phase},{rating},{declined}")
            day += timedelta(days=7)
    return rows


@pytest.fixture
def folder(tmp_path):
    """Write a practice's folder from lines of ratings, and further files by name."""

    def write(*lines, **files):
        place = tmp_path / "practice"
        place.mkdir()
        text = "\n".join(["child_id,date,phase,rating,declined", *lines]) + "\n"
        (place / "ratings.csv").write_text(text, encoding="utf-8")
        for name, content in files.items():
            ending = ".toml" if name == "practice" else ".csv"
            (place / f"{name}{ending}").write_text(content, encoding="utf-8")
        return place

    return write


def audit_of(place, quarter="2026Q3", today="2026-11-01"):
    return audit_quarter(read_caseload(place, today=page.day(today)), quarter, today=today)


def text_of(audit):
    return "\n".join(str(part(audit)) for part in PARTS)


@pytest.fixture
def mixed(folder):
    return folder(
        *lines_of("C01", "2026-05-04", [7, 8, 7, 8], FALLING),
        *lines_of("C02", "2026-05-04", [7, 8, 6, 9], [8, 6, 7, 9] * 3),
        *lines_of("C03", "2026-05-04", [3, 4, 3, 4], [6, 7] * 6),
        *lines_of("C04", "2026-05-25", [8], FALLING),
        *lines_of("C05", "2026-08-03", [7, 8, 7, 8], [6, None, 6, None, None]),
        "C05,2026-08-04,exposure,77,no",
        practice='label = "Tern <b>Rock</b>"\nhorizon_days = 84\n',
    )


def test_the_page_opens_with_the_answer_and_its_uncertainty(mixed):
    first = str(page.first_page(audit_of(mixed)))
    title, answer, rest = first.split("\n\n", 2)
    assert title == "Tern <b>Rock</b>: quarterly audit 2026Q3 (July 1 to September 30, 2026)"
    assert answer.startswith("Fear fell in 1 of the 3 children judged in 2026Q3, rose in 1")
    assert "1 of 3 is 33%" in rest


def test_free_text_of_files_is_escaped(mixed):
    html = "".join(block.html for block in page.first_page(audit_of(mixed)))
    assert "<b>Rock</b>" not in html
    assert "&lt;b&gt;Rock&lt;/b&gt;" in html


def test_every_loss_has_its_reason_and_the_numbers_add_up(mixed):
    audit = audit_of(mixed)
    text = str(page.who_was_there(audit))
    assert "less: too few baseline occasions" in text
    assert "less: exposure running, horizon not reached" in text
    assert "no date says" not in text.lower()
    rows = audit.flow
    assert rows[rows["kind"] == "loss"]["children"].sum() + int(rows["children"].iloc[-1]) == 5


def test_the_figure_holds_the_judged_and_nobody_else(mixed):
    (figure,) = page.every_child(audit_of(mixed))
    assert "3 judged children" in figure.alt
    assert "C04" not in figure.alt


def test_the_numbers_of_a_child_not_judged_are_not_shown(mixed):
    audit = audit_of(mixed)
    described = str(page.children(audit)).split("only described")[1]
    row = next(line for line in described.splitlines() if line.startswith("C04"))
    assert row.split()[-2:] == ["1", "12"]
    assert not math.isnan(audit.children.set_index("child_id").loc["C01", "nap"])


def test_what_was_set_aside_is_listed_with_its_rule(mixed):
    text = str(page.put_aside(audit_of(mixed)))
    assert "ratings.csv" in text
    assert "set aside" in text
    assert "1 row of the files was set aside" in str(page.first_page(audit_of(mixed)))


def test_no_part_names_a_clinician_or_claims_proof(folder):
    place = folder(
        *lines_of("C01", "2026-05-04", [7, 8, 7, 8], FALLING),
        children="child_id,entered_on,site,clinician_id\nC01,2026-05-01,Harbor,T77\n",
    )
    text = text_of(audit_of(place)).lower()
    assert "t77" not in text
    for word in ("proved", "proof", "treatment", "significant "):
        assert word not in text


@pytest.mark.parametrize(
    ("lines", "quarter", "answer"),
    [
        (lines_of("C01", "2026-05-04", [7, 8, 7, 8], FALLING), "2026Q3", "Fear fell in the one child"),
        (lines_of("C01", "2026-09-07", [7, 8], []), "2026Q3", "No child's outcome was due in 2026Q3; 1 in"),
        (lines_of("C01", "2026-05-25", [8], FALLING), "2026Q3", "Nothing can be said about outcomes"),
        (lines_of("C01", "2026-05-04", [7, 8], []), "2020Q1", "No program was open in 2020Q1"),
        (lines_of("C01", "2026-05-04", [7, 8], []), "2031Q1", "2031Q1 has not begun"),
    ],
)
def test_quarters_with_little_to_say_read_well_in_every_part(folder, lines, quarter, answer):
    audit = audit_of(folder(*lines), quarter)
    text = text_of(audit)
    assert audit.told.answer.startswith(answer)
    for wrong in ("nan", "None", "NaT", "not available", "  %", "[]"):
        assert wrong not in text


def test_a_long_list_of_gaps_says_how_many_more_there_are(folder):
    lines = []
    for i in range(25):
        lines += lines_of(f"C{i:02d}", "2026-07-06", [7, 8, 7], [])
        lines += lines_of(f"C{i:02d}", "2026-08-10", [], [5] * 5)
    text = str(page.completeness(audit_of(folder(*lines))))
    assert "5 more, with fewer such weeks, stand in tables/weeks.csv." in text


def test_tables_are_saved_only_when_asked(mixed, tmp_path):
    audit = audit_of(mixed)
    page.save_tables(audit, None)
    target = tmp_path / "tables"
    target.mkdir()
    page.save_tables(audit, str(target))
    names = sorted(file.name for file in target.iterdir())
    assert names == ["audit.json", "audit.xlsx", "tables"]
    assert (target / "tables" / "flow.csv").exists()
    assert (target / "tables" / "problems.csv").read_text(encoding="utf-8-sig").count("77") == 1
