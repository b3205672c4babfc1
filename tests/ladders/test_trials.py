import numpy as np
from rungwise.ladders.trials import higher_one_later, trials_of


def test_order_phase_and_declines(records):
    records.exposure_from(5)
    records.trial(9, 2, 4, number=2)
    records.trial(9, 1, 3, number=1)
    records.trial(2, 3, "declined", kind="probe", before=8)
    records.trial(1, 1, 5, child="B1")
    trials = trials_of(records.read())
    assert trials.child_id.tolist() == ["B1", "C1", "C1", "C1"]
    assert trials.step.tolist() == [1, 3, 1, 2]
    assert trials.phase.tolist() == [None, "baseline", "exposure", "exposure"]
    assert trials.declined.tolist() == [False, True, False, False]
    assert np.isnan(trials.peak[1])
    assert trials.before[1] == 8
    assert [(child, ladder, len(part)) for child, ladder, part in trials.by_ladder()] == [
        ("B1", "wall", 1),
        ("C1", "wall", 3),
    ]


def test_one_trial_rated_by_several_stands_once_by_the_usual_rater(records):
    for day in range(4):
        records.trial(day, 1, 2, by="parent")
        if day < 3:
            records.trial(day, 1, 9, by="child")
    records.trial(6, 1, 7, by="child", number=1)
    trials = trials_of(records.read())
    assert len(trials) == 5
    # Four ratings each: the kind named first is the usual one, and a trial only the child rated stays.
    assert trials.rated_by.tolist() == ["parent"] * 4 + ["child"]
    assert trials.peak.tolist() == [2, 2, 2, 2, 7]


def test_the_usual_rater_is_the_one_with_most_trials(records):
    records.trial(0, 1, 9, by="parent")
    records.trial(0, 1, 2, by="child")
    records.trial(1, 1, 3, by="child")
    assert trials_of(records.read()).peak.tolist() == [2, 3]


def test_a_peak_beside_a_decline_is_not_kept(records):
    records.trial(0, 1, 7, outcome="declined", end=6, before=8)
    caseload = records.read()
    caseload.tables["observations"].columns["fear_peak"][:] = 7
    trials = trials_of(caseload)
    assert np.isnan(trials.peak[0])
    assert np.isnan(trials.end[0])
    assert trials.before[0] == 8


def test_only_one_child(records):
    records.trial(1, 1, 5, child="B1")
    records.trial(1, 1, 5)
    assert trials_of(records.read(), child_id="B1").child_id.tolist() == ["B1"]
    assert len(trials_of(records.read(), child_id="Z9")) == 0


def test_not_recorded(tmp_path):
    from rungwise.series.caseload import read_caseload

    (tmp_path / "ratings.csv").write_text("child_id,date,phase,rating\nC1,2026-01-01,baseline,4\n")
    assert trials_of(read_caseload(tmp_path)) is None


def test_trials_step_by_step_in_time_order(records):
    records.trial(1, 2, 4, number=1)
    records.trial(1, 1, 5, number=2)
    records.trial(1, 2, 6, number=3)
    records.trial(3, 2, 7)
    records.trial(0, 2, 8, child="D1")  # the same step of another child is another step
    trials = trials_of(records.read())
    steps = trials.by_step()
    assert trials.peak[steps.order].tolist() == [5, 4, 6, 7, 8]
    assert steps.begin.tolist() == [0, 1, 4]
    assert steps.end.tolist() == [1, 4, 5]
    assert steps.new_day.tolist() == [True, True, False, True, True]
    assert steps.ladder[0] == steps.ladder[1] < steps.ladder[2]
    assert steps.count(trials.peak[steps.order] > 5).tolist() == [0, 2, 1]
    none = trials.where(trials.peak > 10).by_step()
    assert (len(none), none.count(none.new_day).tolist()) == (0, [])


def test_a_higher_step_later_is_looked_for_on_the_same_ladder_alone():
    rng = np.random.default_rng(5)
    ladder, last = np.sort(rng.integers(0, 6, 40)), rng.integers(-20, 20, 40)
    expected = [
        any(ladder[j] == ladder[i] and last[j] > last[i] for j in range(i + 1, 40)) for i in range(40)
    ]
    assert 0 < sum(expected) < 40
    assert higher_one_later(ladder, last).tolist() == expected
    assert higher_one_later(ladder[:0], last[:0]).tolist() == []
