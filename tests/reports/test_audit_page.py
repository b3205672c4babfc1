"""The parts of the audit's page, from an audit of a small practice read from its files."""

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest
from rungwise.audit.actions import to_decide
from rungwise.audit.audit import audit_quarter
from rungwise.basis.page_numbers import format_bounded, format_p
from rungwise.reports import audit_page as page
from rungwise.series.caseload import read_caseload
from rungwise.single_case.verdict_rule import VERDICTS

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


DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "practice"


@pytest.fixture(scope="module")
def demo():
    return audit_of(DEMO, today="2026-11-13")


def test_beside_the_verdicts_stand_the_children_who_differ_and_at_the_end_all(demo):
    table = demo.signs.table.set_index("child_id")
    differ = table.index[~table["beside"].isin(["agree", "unknown"])].tolist()
    shown = str(page.beside_verdicts(demo))
    listed = [line.split()[0] for line in shown.splitlines() if re.match(r"C\d{3} ", line)]
    assert listed == differ
    assert "no standard to be held against" in shown
    assert f"it agrees in {(table['beside'] == 'agree').sum()}." in " ".join(shown.split())
    children = str(page.children(demo))
    assert all(len(re.findall(rf"(?m)^{child} ", children)) == 2 for child in table.index)


def test_without_trials_or_verdicts_that_is_said(mixed):
    assert "were not recorded for the children judged" in " ".join(
        str(page.beside_verdicts(audit_of(mixed))).split()
    )
    nobody = audit_of(mixed, "2025Q3")
    assert str(page.beside_verdicts(nobody)).startswith("No child was judged")


def test_a_rise_bears_its_one_sided_p(demo):
    rose = demo.children[demo.children["verdict"] == "rose"].iloc[0]
    (line,) = [
        line for line in str(page.children(demo)).splitlines()
        if line.startswith(rose["child_id"]) and "rose" in line and "2026" in line
    ]  # fmt: skip
    assert line.split()[-1] == format_p(rose["p_worse"]).removeprefix("= ")
    assert rose["p_worse"] != rose["p_value"]


def test_large_groups_get_a_funnel_and_small_ones_a_sentence(demo):
    assert not [block for block in page.groups(demo) if hasattr(block, "png")]
    groups = demo.groups.copy()
    site = groups["grouping"] == "site"
    groups.loc[site, ["judged", "fell"]] = [[40, 20], [50, 30]]
    groups.loc[site, "inner_low"] = 0.4
    groups.loc[site, ["expected", "expected_low", "expected_high"]] = [
        [24.0, 15.25, 33.04],
        [26.0, 17.0, 29.0],
    ]
    groups.loc[site, "adjusted_for"] = "baseline level; age at entry"
    limited = replace(demo, groups=groups.assign(shrunken=0.6, outer_low=0.3, outer_high=0.8))
    funnels = [block for block in page.groups(limited) if hasattr(block, "png")]
    assert len(funnels) == 1
    assert "no ranking" in funnels[0].caption
    shown = " ".join(str(page.groups(limited)).split())
    assert "Limits of chance" in shown
    assert "24.0 (15.2 to 33.0)" in shown
    assert "on baseline level and age at entry" in shown
    assert "99.8% limits of chance that allow for each group's own children" in shown
    assert "Outside, and so a question to ask: Headland." in shown
    limited.groups["expected"] = float("nan")
    assert "No adjustment for who came: not every group" in " ".join(str(page.groups(limited)).split())


def test_a_breakdown_that_says_the_same_is_said_and_not_printed_again(demo):
    groups = demo.groups
    site, setting = (groups[groups["grouping"] == kind] for kind in ("site", "setting"))
    assert site["fell"].tolist() == setting["fell"].tolist()
    shown = " ".join(str(page.groups(demo)).split())
    assert "Setting of most probes: the same groups with the same numbers as by site" in shown
    assert "Setting of most probes, in the order of names" not in shown
    other = groups.copy()
    other.loc[setting.index[0], "fell"] += 1
    shown = " ".join(str(page.groups(replace(demo, groups=other))).split())
    assert "the same groups" not in shown
    assert "Setting of most probes, in the order of names" in shown


def test_a_mark_without_an_interval_is_named_with_the_reason(demo):
    judged = demo.children[demo.children["stage"] == "judged"]
    bare = judged.loc[judged["nap_low"].isna(), "child_id"].tolist()
    assert len(bare) == 3
    assert (judged.loc[judged["nap_low"].isna(), "n_ladders"] > 1).all()
    (figure,) = page.every_child(demo)
    named = f"{bare[0]}, {bare[1]} and {bare[2]} without an interval: several ladders enter together"
    assert named in figure.caption
    assert "fewer than" not in figure.caption
    alone = demo.children.copy()
    alone.loc[alone["child_id"] == bare[0], "n_ladders"] = 1
    (figure,) = page.every_child(replace(demo, children=alone))
    assert f"{bare[1]} and {bare[2]} without an interval: several" in figure.caption
    assert f"{bare[0]} without an interval: one of the phases has fewer than 3" in figure.caption


def test_the_plain_mean_comes_first_and_what_lies_between_children_after_it(demo):
    shown = str(page.verdicts(demo)).partition("How large")[2]
    first, second, third = (line for line in shown.splitlines()[2:5])
    assert first.startswith("Mean over 27 children")
    assert format_bounded(demo.headline.value) in first
    assert second.startswith("Weighted by numbers of ratings")
    low, high = max(demo.synthesis.prediction_low, 0), min(demo.synthesis.prediction_high, 1)
    assert third.endswith(f"{format_bounded(low)} to {format_bounded(high)}")
    assert "Knapp and Hartung" in shown


def test_programs_that_ended_have_their_reason_at_their_point(demo):
    shown = str(page.who_was_there(demo)).partition("Programs that ended")[2]
    ended = demo.children[[day is not None and day in demo.quarter for day in demo.children["ended_on"]]]
    for reason, part in ended.groupby("end_reason"):
        (line,) = [
            row for row in shown.splitlines() if row.startswith(reason.replace("_", " ").capitalize())
        ]
        assert sum(int(count) for count in line.split()[-3:]) == len(part)


def test_the_action_plan_begins_with_what_it_could_answer(demo, tmp_path):
    shown = str(page.actions(demo))
    assert "Action plan 2026Q3" in shown
    for answer in to_decide(demo.standards, demo.discuss, demo.actions):
        assert answer in " ".join(shown.split())
    page.save_tables(demo, str(tmp_path))
    lines = (tmp_path / "tables" / "action_plan.csv").read_text(encoding="utf-8-sig").splitlines()
    assert lines[0] == "raised_in,action,owner_role,due_on,done_on,note"
    assert all(line.startswith("2026Q3,,,,,") for line in lines[1:])


def test_a_verdict_that_later_ratings_change_is_named(demo):
    changed = demo.since_due[demo.since_due["verdict"] != demo.since_due["verdict_now"]]
    assert len(changed)
    shown = " ".join(str(page.children(demo)).split())
    for row in changed.itertuples():
        assert f"{row.child_id}, here “{VERDICTS[row.verdict]}”, there “" in shown


def test_every_table_of_the_quarter_says_how_complete_it_is(demo):
    shown = str(page.completeness(demo)).partition("How complete each table")[2]
    sessions = demo.quality.completeness[demo.quality.completeness["table"] == "sessions"]
    (line,) = [row for row in shown.splitlines() if row.startswith("Sessions")]
    assert line.split() == ["Sessions", str(sessions["rows"].max()), str(len(sessions)), "100%"]
