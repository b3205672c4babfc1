"""Planned series from probes, plans and phases."""

from datetime import date

import numpy as np
import pytest
from rungwise.series.caseload import read_caseload

TODAY = date(2026, 11, 25)
PHASES = (
    "child_id,ladder_id,starts_on,phase\n"
    "C1,gangway,2026-01-26,exposure\nC1,gangway,2026-03-02,maintenance\n"
)
PLANS = (
    "child_id,ladder_id,probe_step,primary,trained,fear_maximum\n"
    "C1,gangway,4,yes,yes,8\nC1,gangway,2,no,yes,8\nC1,dinghy,1,yes,no,10\n"
)
HEADER = "child_id,ladder_id,date,kind,step,outcome,fear_before,fear_peak,trial,rated_by\n"
PROBES = (
    "C1,gangway,2026-01-12,probe,4,completed,5,8,1,child\n"
    "C1,gangway,2026-01-19,probe,4,declined,7,,1,child\n"
    "C1,gangway,2026-01-26,probe,4,partial,4,6,1,child\n"
    "C1,gangway,2026-02-02,practice,4,completed,1,1,1,child\n"
    "C1,gangway,2026-02-02,probe,4,completed,3,4,2,child\n"
    "C1,gangway,2026-02-02,probe,4,completed,3,5,1,child\n"
    "C1,gangway,2026-03-02,probe,4,completed,1,2,1,child\n"
    "C1,gangway,2026-01-12,probe,2,completed,2,3,1,child\n"
    "C1,gangway,2026-02-02,approach,1,completed,2,2,1,child\n"
)


@pytest.fixture
def practice(tmp_path):
    def build(probes=PROBES, settings="", **files):
        tables = {"observations": HEADER + probes, "plans": PLANS, "phases": PHASES} | files
        for name, text in tables.items():
            if text is not None:
                (tmp_path / f"{name}.csv").write_text(text)
        (tmp_path / "practice.toml").write_text(settings)
        return read_caseload(tmp_path, today=TODAY)

    return build


def test_probe_peaks_at_the_primary_step_in_the_phases_of_the_table(practice):
    caseload = practice()
    assert len(caseload.report) == 0
    series = caseload.series("C1", "gangway")
    np.testing.assert_array_equal(series.values, [8, np.nan, 6, 5, 4, 2])
    assert series.declined.tolist() == [False, True, False, False, False, False]
    assert series.times.tolist() == [0, 7, 14, 21, 21, 49]
    assert series.phases.tolist() == [
        "baseline",
        "baseline",
        "exposure",
        "exposure",
        "exposure",
        "maintenance",
    ]
    assert (series.floor, series.ceiling, series.label) == (0, 8, "C1 gangway")
    assert caseload.level == 2


def test_the_practice_may_take_the_fear_before(practice):
    caseload = practice(settings='primary_rating = "before"\n')
    np.testing.assert_array_equal(caseload.series("C1").values, [5, np.nan, 4, 3, 3, 1])
    assert np.isnan(caseload.planned["rating"][caseload.planned["declined"]]).all()


def test_another_probe_step_is_a_series_of_its_own(practice):
    caseload = practice()
    assert caseload.probe_steps("C1") == (4, 2)
    assert caseload.series("C1", probe_step=2).values.tolist() == [3]
    with pytest.raises(ValueError, match=r"probe_step must be one of 4\.0, 2\.0; got 7"):
        caseload.series("C1", probe_step=7)


def test_without_a_plan_the_step_must_be_named_where_several_were_probed(practice):
    caseload = practice(plans=None)
    with pytest.raises(ValueError, match="probe_step must be given for C1"):
        caseload.series("C1")
    assert caseload.series("C1", probe_step=2).values.tolist() == [3]


def test_trained_ladders_and_generalization(practice):
    more = "C1,dinghy,2026-01-12,probe,1,completed,5,5,1,child\n"
    phases = PHASES + "C1,dinghy,2026-01-26,exposure\n"
    caseload = practice(PROBES + more, phases=phases)
    assert caseload.ladders("C1") == ("dinghy", "gangway")
    assert caseload.ladders("C1", trained=True) == ("gangway",)
    assert caseload.ladders("C1", trained=False) == ("dinghy",)
    assert caseload.batch(trained=False).labels == ("C1 dinghy",)
    assert caseload.series("C1", "dinghy").ceiling == 10


def test_probes_of_a_ladder_without_phases_are_in_no_series(practice):
    more = "C1,dinghy,2026-01-12,probe,1,completed,5,5,1,child\n"
    caseload = practice(PROBES + more)
    assert [problem.code for problem in caseload.report] == ["phase_unknown"]
    assert caseload.ladders("C1") == ("gangway",)


def test_ratings_and_probes_stand_side_by_side_but_never_twice(practice):
    ratings = (
        "child_id,ladder_id,date,phase,rating,outcome\n"
        "C1,gangway,2026-01-12,baseline,9,fear\n"
        "C1,gangway,2026-01-12,baseline,2,joy\n"
        "C2,gangway,2026-01-12,baseline,7,fear\n"
    )
    caseload = practice(ratings=ratings)
    assert [problem.code for problem in caseload.report] == ["recorded_unlike"]
    assert caseload.report.problems[0].row == 2
    assert caseload.children == ("C1", "C2")
    assert caseload.outcomes("C1") == ("fear", "joy")
    assert caseload.series("C1", "gangway").values[0] == 8
    assert caseload.series("C1", outcome="joy").values.tolist() == [2]
    assert caseload.series("C2").values.tolist() == [7]
    assert len(caseload.planned) == 2 + PROBES.count(",probe,")
    assert set(caseload.planned.sources.tolist()) == {"ratings.csv", "observations.csv"}


def test_ratings_without_a_phase_take_it_from_the_phase_starts(practice):
    ratings = "child_id,ladder_id,date,rating\n" + "".join(
        f"C1,gangway,2026-0{month}-25,{rating}\n" for month, rating in ((1, 7), (2, 5), (3, 3))
    )
    caseload = practice(observations=None, plans=None, ratings=ratings)
    assert caseload.series("C1").phases.tolist() == ["baseline", "exposure", "maintenance"]
    assert len(caseload.report) == 0


def test_a_caseload_of_scores_alone_has_no_planned_series(tmp_path):
    (tmp_path / "measures.csv").write_text(
        "measure_id,title,better,minimum,maximum\nMQ,Questionnaire,lower,0,60\n"
    )
    (tmp_path / "assessments.csv").write_text(
        "child_id,measure_id,date,occasion,score\nC1,MQ,2026-01-05,intake,41\n"
    )
    caseload = read_caseload(tmp_path, today=TODAY)
    assert caseload.children == ()
    assert len(caseload.planned) == 0
    with pytest.raises(ValueError, match="no planned ratings were recorded"):
        caseload.series("C1")
