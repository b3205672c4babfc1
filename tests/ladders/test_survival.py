"""Survival curves against statsmodels, slow twins, simulation, and at their edges."""

import math

import numpy as np
import pytest
from rungwise.ladders.survival import cumulative_incidence, kaplan_meier
from statsmodels.duration.survfunc import CumIncidenceRight, SurvfuncRight


def _data(seed, n=40, children=12):
    rng = np.random.default_rng(seed)
    time = np.ceil(rng.exponential(8, n))
    cause = rng.choice(["mastered", "left", None], n, p=[0.5, 0.2, 0.3])
    return time, cause, rng.integers(0, children, n)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_kaplan_meier_equals_statsmodels(seed):
    time, cause, _ = _data(seed)
    event = cause == "mastered"
    ours = kaplan_meier(time, event)
    theirs = SurvfuncRight(time, event.astype(int))
    assert ours.time.tolist() == theirs.surv_times.tolist()
    assert ours.value == pytest.approx(theirs.surv_prob)
    inside = ours.value > 0
    assert ours.standard_error[inside] == pytest.approx(theirs.surv_prob_se[inside])
    assert ours.at_risk.tolist() == theirs.n_risk.tolist()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_cumulative_incidence_equals_statsmodels(seed):
    time, cause, _ = _data(seed)
    ours = cumulative_incidence(time, cause, ["mastered", "left"])
    status = np.array([{"mastered": 1, "left": 2, None: 0}[one] for one in cause])
    with np.errstate(divide="ignore", invalid="ignore"):  # in its errors, which are not compared
        theirs = CumIncidenceRight(time, status)
    for name, values in zip(("mastered", "left"), theirs.cinc, strict=True):
        there = [values[np.searchsorted(theirs.times, t, side="right") - 1] for t in ours[name].time]
        assert ours[name].value == pytest.approx(there)


def test_shares_add_to_one():
    time, cause, _ = _data(5)
    curves = cumulative_incidence(time, cause, ["mastered", "left"])
    without = kaplan_meier(time, np.array([one is not None for one in cause]))
    total = curves["mastered"].value + curves["left"].value + without.value
    assert total == pytest.approx(np.ones(len(total)))


def test_without_competition_it_is_one_minus_kaplan_meier():
    time, cause, child = _data(6)
    cause = [None if one == "left" else one for one in cause]
    event = np.array([one == "mastered" for one in cause])
    for cluster in (None, child):
        curve = cumulative_incidence(time, cause, ["mastered"], cluster=cluster)["mastered"]
        survival = kaplan_meier(time, event, cluster=cluster)
        assert curve.value == pytest.approx(1 - survival.value)
        assert curve.standard_error == pytest.approx(survival.standard_error)
        assert curve.ci_low == pytest.approx(1 - survival.ci_high, nan_ok=True)


def test_taking_leaving_as_censoring_overstates_mastery():
    time, cause, _ = _data(7, n=200)
    curve = cumulative_incidence(time, cause, ["mastered", "left"])["mastered"]
    naive = kaplan_meier(time, np.array([one == "mastered" for one in cause]))
    assert 1 - naive.value[-1] > curve.value[-1] + 0.05


def _weighted_incidence(time, cause, weight, want):
    """Aalen-Johansen with weights, step by step."""
    survival, share, values = 1.0, 0.0, []
    for t in np.unique(time[[one is not None for one in cause]]):
        at_risk = weight[time >= t].sum()
        now = (time == t) & np.array([one is not None for one in cause])
        wanted = (time == t) & np.array([one == want for one in cause])
        share += survival * weight[wanted].sum() / at_risk
        survival *= 1 - weight[now].sum() / at_risk
        values.append(share)
    return np.array(values)


def test_error_is_the_sum_of_squared_influences():
    time, cause, child = _data(8, n=30, children=8)
    curve = cumulative_incidence(time, cause, ["mastered", "left"], cluster=child)["mastered"]
    children = np.unique(child)
    squares = np.zeros(len(curve.time))
    for one in children:
        up, down = np.ones(30), np.ones(30)
        up[child == one] += 1e-5
        down[child == one] -= 1e-5
        slope = _weighted_incidence(time, cause, up, "mastered") - _weighted_incidence(
            time, cause, down, "mastered"
        )
        squares += (slope / 2e-5) ** 2
    g = len(children)
    assert curve.standard_error == pytest.approx(np.sqrt(squares * g / (g - 1)), rel=1e-5)


def test_one_member_a_child_is_greenwood():
    time, cause, _ = _data(9)
    event = cause == "mastered"
    plain, clustered = kaplan_meier(time, event), kaplan_meier(time, event, cluster=np.arange(40))
    assert clustered.standard_error == pytest.approx(plain.standard_error)


def test_limits_by_child_cover():
    rng = np.random.default_rng(3)
    covered = runs = 0
    truth = 0.4943  # share mastered by day 8 in 400,000 simulated members
    for _ in range(200):
        size = rng.integers(2, 10, 12)
        child = np.repeat(np.arange(12), size)
        rate = np.exp(rng.normal(0, 0.7, 12))[child]
        mastered, left = rng.exponential(10 / rate), rng.exponential(25, len(child))
        time = np.minimum(np.minimum(mastered, left), rng.uniform(2, 30, len(child)))
        cause = np.where(time == mastered, "m", np.where(time == left, "l", None))
        curve = cumulative_incidence(time, cause, ["m", "l"], cluster=child)["m"]
        i = np.searchsorted(curve.time, 8, side="right") - 1
        covered += curve.ci_low[i] <= truth <= curve.ci_high[i]
        runs += 1
    assert 0.905 <= covered / runs <= 0.99


def test_few_children_have_no_interval():
    time, cause, _ = _data(10)
    curve = kaplan_meier(time, cause == "mastered", cluster=np.arange(40) % 5)
    assert np.isnan(curve.standard_error).all()
    assert np.isnan(curve.ci_low).all()
    assert not np.isnan(curve.value).any()
    assert curve.cautions == ("Fewer than 6 children: their episodes are too alike for an interval.",)


def test_median_and_reading_off():
    curve = kaplan_meier([1, 2, 3, 4], [True, True, True, True])
    assert curve.value.tolist() == pytest.approx([0.75, 0.5, 0.25, 0.0])
    assert curve.median == 2
    assert [curve.at(t) for t in (0.5, 1, 2.5, 9)] == pytest.approx([1.0, 0.75, 0.5, 0.0])
    rising = cumulative_incidence([1, 2, 3, 4], ["a", "a", "a", None], ["a"])["a"]
    assert rising.median == 2
    assert [rising.at(t) for t in (0, 3)] == pytest.approx([0.0, 0.75])
    never = kaplan_meier([1, 2, 3, 4], [True, False, False, False])
    assert math.isnan(never.median)


def test_censored_members_are_at_risk_at_their_time():
    curve = kaplan_meier([3, 3, 5], [True, False, True])
    assert curve.at_risk.tolist() == [3, 1]
    assert curve.value.tolist() == pytest.approx([2 / 3, 0])


@pytest.mark.parametrize(("time", "event"), [([], []), ([3.0, 4.0], [False, False])])
def test_no_event_is_a_curve_without_steps(time, event):
    curve = kaplan_meier(time, np.array(event, dtype=bool))
    assert len(curve.time) == 0
    assert curve.at(10) == 1
    assert math.isnan(curve.median)
    assert curve.frame().empty


def test_an_event_on_day_zero_counts():
    curve = kaplan_meier([0, 0, 2], [True, False, True])
    assert curve.time.tolist() == [0, 2]
    assert curve.value[0] == pytest.approx(2 / 3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: kaplan_meier([1], [1]), "event must be True or False for every time; got int64 entries."),
        (lambda: kaplan_meier([1, 2], [True]), "time must be one number per event entry (1); got 2."),
        (lambda: kaplan_meier([-1.0], [True]), "time must be 0 or later; got -1."),
        (lambda: kaplan_meier([math.nan], [True]), "time must be 0 or later; got nan."),
        (
            lambda: kaplan_meier([1], [True], cluster=[1, 2]),
            "cluster must be one entry per time (1); got 2.",
        ),
        (
            lambda: cumulative_incidence([1], ["moved"], ["mastered"]),
            "cause must be one of 'mastered', or None; got 'moved'.",
        ),
        (
            lambda: kaplan_meier([1], [True], confidence=1),
            "confidence must be a number between 0 and 1; got 1.",
        ),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == message
