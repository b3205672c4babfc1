"""A planned study as files: what everybody sees, what is sealed, and what enters the table of plans."""

import csv
import io
import json
from datetime import date
from pathlib import Path

import docx
import numpy as np
import pandas as pd
import pytest
from rungwise.reports.plan_page import Planned, cases_of, curves, plan_of, power_of_plan
from rungwise.reports.plan_report import write_plan, write_rehearsal
from rungwise.reports.study_inputs import read_study
from rungwise.reports.write import NotWritten
from rungwise.series.caseload import read_caseload
from rungwise.single_case.randomization import STATISTICS
from rungwise.study.power import power
from rungwise.study.preanalysis import read_preanalysis
from rungwise.study.schedule import open_schedule

DEMO = Path(__file__).parents[2] / "data_demo" / "study" / "before"
TODAY = date(2026, 11, 13)


def copy_of_demo(folder):
    folder.mkdir()
    for file in DEMO.glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    return folder


def write(folder, path=DEMO, **changes):
    call = {
        "to": folder / "plan", "sealed_to": folder / "sealed", "design_id": "GW2",
        "first_day": "2026-03-02", "seed": 12345, "replications": 50, "today": TODAY,
    } | changes  # fmt: skip
    return write_plan(path, "S01, S02, S03", **call)


def words_of(file):
    word = docx.Document(str(file))
    cells = [cell.text for table in word.tables for row in table.rows for cell in row.cells]
    return "\n".join([*(one.text for one in word.paragraphs), *cells])


@pytest.mark.parametrize(
    ("cases", "first_day", "told"),
    [
        ("S01, S02", "2026-13-02", "^first_day must be a date written YYYY-MM-DD; got '2026-13-02'"),
        ("S01, S02", None, "^first_day must be a date written YYYY-MM-DD; got None"),
        (" , ", "2026-03-02", "^cases must name at least one child, as in C003,C007/net; got ' , '"),
    ],
)
def test_what_is_wrong_in_a_call_is_named_after_its_argument(cases, first_day, told):
    with pytest.raises(ValueError, match=told):
        plan_of(read_caseload(DEMO, today=TODAY), cases, design_id="GW2", first_day=first_day)


def test_everything_is_written_and_nothing_open_tells_the_draw(tmp_path):
    names = [file.relative_to(tmp_path).as_posix() for file in write(tmp_path)]
    assert names == [
        "plan/contents.json", "plan/plan.json", "plan/plans.csv", "plan/preanalysis.docx",
        "plan/preanalysis.md", "sealed/contents.json", "sealed/schedule.docx", "sealed/schedule.json",
    ]  # fmt: skip
    schedule = open_schedule((tmp_path / "sealed/schedule.json").read_text(encoding="utf-8"))
    document = read_preanalysis((tmp_path / "plan/plan.json").read_text(encoding="utf-8"))
    assert document.commitment == schedule.commitment
    assert document.plan == schedule.plan
    assert document.power.replications == 50
    open_text = "\n".join(
        (tmp_path / "plan" / name).read_text(encoding="utf-8")
        for name in ("plan.json", "plans.csv", "preanalysis.md", "contents.json")
    ) + words_of(tmp_path / "plan/preanalysis.docx")
    assert "12345" not in open_text
    assert "exposure from" not in open_text
    told = words_of(tmp_path / "sealed/schedule.docx")
    for case, start in zip(schedule.plan.cases, schedule.starts, strict=True):
        assert f"{case.label}: exposure from occasion {start}" in told
    assert "nobody who rates, treats or analyzes may see it" in told


def test_the_word_document_says_permitted_set_smallest_p_and_fingerprint(tmp_path):
    write(tmp_path)
    text = words_of(tmp_path / "plan/preanalysis.docx")
    document = read_preanalysis((tmp_path / "plan/plan.json").read_text(encoding="utf-8"))
    assert "162 assignments" in text
    assert "1 in 162" in text
    assert document.sha256 in text
    assert document.commitment in text


def test_without_a_seed_each_draw_has_a_secret_one(tmp_path):
    seeds = set()
    for name in ("a", "b"):
        write(tmp_path / name, seed=None)
        seeds.add(json.loads((tmp_path / name / "sealed/schedule.json").read_text())["seed"])
    assert len(seeds) == 2
    assert min(seeds) > 2**64


def test_a_sealed_schedule_is_never_drawn_again(tmp_path):
    write(tmp_path)
    before = (tmp_path / "sealed/schedule.json").read_bytes()
    with pytest.raises(NotWritten):
        write(tmp_path, overwrite=True, seed=6)
    assert (tmp_path / "sealed/schedule.json").read_bytes() == before


def test_the_sealed_folder_must_lie_apart(tmp_path):
    for place in (tmp_path / "plan", tmp_path / "plan" / "sealed", tmp_path):
        with pytest.raises(ValueError, match="must be apart from the folder that everybody may see"):
            write(tmp_path, sealed_to=place)
    assert not list(tmp_path.iterdir())


def test_the_windows_enter_the_table_of_plans_and_nothing_else_changes(tmp_path):
    practice = copy_of_demo(tmp_path / "practice")
    before = list(csv.DictReader(io.StringIO((practice / "plans.csv").read_text())))
    write(tmp_path, practice, enter=True)
    after = list(csv.DictReader(io.StringIO((practice / "plans.csv").read_text())))
    assert [{name: row[name] for name in before[0]} for row in after] == before
    windows = [
        (row["design_id"], row["assignment"], row["window_opens"], row["window_closes"]) for row in after
    ]
    inside = ("GW2", "random", "2026-04-06", "2026-07-13")
    assert windows == [inside, inside, inside, ("", "", "", ""), ("", "", "", "")]
    caseload = read_caseload(practice, today=TODAY)
    assert not caseload.report.errors
    assert caseload.tables["plans"]["design_id"].tolist() == ["GW2", "GW2", "GW2", None, None]


def test_a_ladder_in_another_design_is_left_alone(tmp_path):
    practice = copy_of_demo(tmp_path / "practice")
    write(tmp_path / "first", practice, enter=True)
    kept = (practice / "plans.csv").read_bytes()
    with pytest.raises(NotWritten, match="S01 is in design GW2 already"):
        write(tmp_path / "second", practice, enter=True, design_id="GW3")
    assert (practice / "plans.csv").read_bytes() == kept
    assert not (tmp_path / "second").exists()


def test_a_child_without_consent_is_refused_and_nothing_is_written(tmp_path):
    with pytest.raises(ValueError, match="S05 is not one"):
        write_plan(
            DEMO, "S01, S05", to=tmp_path / "a", sealed_to=tmp_path / "b", design_id="X",
            first_day="2026-03-02", today=TODAY,
        )  # fmt: skip
    assert not list(tmp_path.iterdir())


def test_a_workbook_gets_its_rows_to_copy(tmp_path):
    book = tmp_path / "practice.xlsx"
    with pd.ExcelWriter(book) as writer:
        for file in DEMO.glob("*.csv"):
            pd.read_csv(file).to_excel(writer, sheet_name=file.stem, index=False)
    with pytest.raises(NotWritten, match=r"not a folder with plans\.csv; copy the rows"):
        write(tmp_path / "out", book, enter=True)
    write(tmp_path / "out", book)
    assert "S01,gangway,5" in (tmp_path / "out/plan/plans.csv").read_text()


def test_cases_are_read_with_commas_and_slashes():
    assert cases_of(" S01 ,S02/ net,, ") == ["S01", ("S02", "net")]


def test_a_plan_can_be_rehearsed_and_its_draw_stays_sealed(tmp_path):
    write(tmp_path)
    names = [
        file.relative_to(tmp_path / "try").as_posix()
        for file in write_rehearsal(tmp_path / "plan/plan.json", to=tmp_path / "try", seed=5)
    ]
    assert {"records/observations.csv", "records/phases.csv", "schedule.json"} <= set(names)
    inputs = read_study(
        tmp_path / "try/records", plan=tmp_path / "plan/plan.json", schedule=tmp_path / "try/schedule.json",
        today=TODAY,
    )  # fmt: skip
    assert inputs.result.test.counts["assignments"] == 162
    topics = {row["topic"]: row["done"] for row in inputs.departures("0.1.0")}
    assert topics == {"Schedule": "another one: its fingerprint differs"}
    sealed = open_schedule((tmp_path / "sealed/schedule.json").read_text(encoding="utf-8"))
    assert inputs.schedule.starts != sealed.starts
    with pytest.raises(NotWritten):
        write_rehearsal(tmp_path / "plan/plan.json", to=tmp_path / "try")


def test_a_changing_criterion_plan_states_the_power_of_its_own_test(tmp_path):
    write(tmp_path, kind="changing_criterion", criteria="6, 4, 2", occasions=26, replications=200)
    document = read_preanalysis((tmp_path / "plan/plan.json").read_text(encoding="utf-8"))
    assert document.power.assignments == document.plan.n_assignments == 84**3
    assert 0.6 < document.power.power < 0.95
    text = words_of(tmp_path / "plan/preanalysis.docx")
    assert "the criteria take the place of the changes at exposure" in text
    assert "Exposure changes it by" not in text
    assert "ratings that come down from a child's own course to the criterion in force" in text
    assert "criterion 4 from occasion" in words_of(tmp_path / "sealed/schedule.docx")


@pytest.mark.parametrize("statistic", STATISTICS)
@pytest.mark.parametrize("kind", ["multiple_baseline", "random_start"])
def test_every_test_a_plan_can_choose_has_its_own_power(tmp_path, statistic, kind):
    write(tmp_path, kind=kind, statistic=statistic, alternative="two-sided", replications=200)
    document = read_preanalysis((tmp_path / "plan/plan.json").read_text(encoding="utf-8"))
    plan = document.plan
    assert plan.statistic == statistic
    # The seed of a plan is that of its draw; its power has one of its own.
    again = power(
        plan.design, plan.occasions, document.scenario, rng=np.random.default_rng(1), statistic=statistic,
        alternative="two-sided", alpha=plan.alpha, replications=200,
    )  # fmt: skip
    assert document.power.power == again.power
    shown = (
        power_of_plan(Planned(plan, document.scenario, 200, 1)),
        curves(Planned(plan, document.scenario, 50, 1), (len(plan.cases),), (plan.occasions,)),
    )
    assert all("Monte Carlo" in str(blocks) for blocks in shown)
