import numpy as np
import pytest
from rungwise.ladders.approach import approach_scores, approach_tau, approach_tau_batch, declines_by_step
from scipy import stats


def _occasion(records, day, highest, top=5, child="C1", decline=True):
    for step in range(1, highest + 1):
        records.trial(day, step, 4, kind="approach", number=step, child=child)
    if decline and highest < top:
        records.trial(day, highest + 1, "declined", kind="approach", number=highest + 1, child=child)


def test_the_score_is_the_highest_step_done(records):
    records.exposure_from(20)
    records.ladder(5)
    for day, highest in ((0, 2), (7, 1), (14, 0), (21, 3), (28, 4), (35, 5)):
        _occasion(records, day, highest)
    records.trial(36, 3, 2, kind="practice")
    (approach,) = approach_scores(records.read())
    assert approach.series.values.tolist() == [2, 1, 0, 3, 4, 5]
    assert approach.series.phases.tolist() == ["baseline"] * 3 + ["exposure"] * 3
    assert approach.series.times.tolist() == [0, 7, 14, 21, 28, 35]
    assert (approach.series.floor, approach.series.ceiling) == (0, 5)
    assert approach.cautions == ()
    tau = approach_tau(approach)
    assert tau.value == 1
    exact = stats.mannwhitneyu([3, 4, 5], [2, 1, 0], method="exact")
    assert tau.p_value == pytest.approx(exact.pvalue)
    assert tau.favors == "improvement"


def test_partial_is_not_done(records):
    records.exposure_from(20)
    records.ladder(3)
    records.trial(0, 1, 3, kind="approach")
    records.trial(0, 2, 5, kind="approach", number=2, outcome="partial")
    records.trial(0, 3, "declined", kind="approach", number=3)
    (approach,) = approach_scores(records.read())
    assert approach.series.values.tolist() == [1]


def test_occasions_that_do_not_follow_the_rule_are_said(records):
    records.exposure_from(20)
    records.ladder(5)
    _occasion(records, 0, 2, decline=False)
    records.trial(3, 2, 4, kind="approach")
    records.trial(3, 3, "declined", kind="approach", number=2)
    (approach,) = approach_scores(records.read())
    assert approach.cut_short.tolist() == [True, False]
    assert approach.cautions == (
        "Occasions that began above step 1, so that the steps below are taken as done: 1.",
        "Occasions that ended without a decline below the last step, so that the score is a lower "
        "bound: 1.",
    )


def test_without_phases_or_ladders_nothing_is_guessed(records):
    _occasion(records, 0, 2)
    _occasion(records, 7, 3)
    (approach,) = approach_scores(records.read())
    assert len(approach.series) == 0
    assert approach.cautions == (
        "Occasions left out because their phase is not recorded: 2.",
        "How many steps the ladder has is not recorded.",
    )
    assert np.isnan(approach_tau(approach).value)


def test_children_and_ladders_are_apart(records):
    records.ladder(5)
    for child in ("C1", "C2"):
        records.exposure_from(10, child)
        _occasion(records, 0, 1, child=child)
        _occasion(records, 14, 4, child=child)
    approaches = approach_scores(records.read())
    assert [(one.child_id, one.ladder_id) for one in approaches] == [("C1", "wall"), ("C2", "wall")]
    assert approach_tau_batch(approaches).value.tolist() == [1, 1]
    assert len(approach_scores(records.read(), child_id="C2")) == 1


def test_declines_are_counted_by_step_and_kind(records):
    records.exposure_from(20)
    for day in range(4):
        records.trial(day, 2, "declined" if day else 5)
        records.trial(day, 3, "declined", kind="approach", number=2)
    frame = declines_by_step(records.read()).set_index(["step", "kind"])
    assert frame.loc[(2, "practice"), ["trials", "declined"]].tolist() == [4, 3]
    assert frame.loc[(3, "approach"), ["trials", "declined"]].tolist() == [4, 4]
    assert frame.loc[(2, "practice"), "share_declined"] == 0.75


def test_not_recorded(tmp_path):
    from rungwise.series.caseload import read_caseload

    (tmp_path / "ratings.csv").write_text("child_id,date,phase,rating\nC1,2026-01-01,baseline,4\n")
    caseload = read_caseload(tmp_path)
    assert approach_scores(caseload) == ()
    assert declines_by_step(caseload).empty
