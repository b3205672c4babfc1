"""Stratified Tau: every assignment of days listed, identity with Tau, staggered starts, one bad day."""

import math
from itertools import permutations

import numpy as np
import pytest
from cases import CASES
from rungwise.basis import null_days
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import stratified as module
from rungwise.single_case.nap import DECLINED_CAUTION, EMPTY_CAUTION, MISSING_CAUTION, SHORT_CAUTION
from rungwise.single_case.stratified import stratified_tau
from rungwise.single_case.tau import tau


def s_of(ratings, phases):
    a = [value for value, phase in zip(ratings, phases, strict=True) if phase == 0]
    b = [value for value, phase in zip(ratings, phases, strict=True) if phase == 1]
    return sum(int(np.sign(x - y)) for x in a for y in b)


def listed(content, kinds):
    """S of every different assignment of the kinds of day to the days.

    content : one dict of ladder -> ratings per day; kinds : one tuple of phases per day.
    """
    sums = []
    for order in set(permutations(kinds)):
        total = 0
        for ladder in range(len(kinds[0])):
            ratings, phases = [], []
            for day, kind in zip(content, order, strict=True):
                ratings += day[ladder]
                phases += [kind[ladder]] * len(day[ladder])
            total += s_of(ratings, phases)
        sums.append(total)
    return np.array(sums)


def make(rng, days, starts, complete):
    """Ratings of some ladders on the same days, exposure beginning on the day of `starts`."""
    content = [
        {
            ladder: rng.integers(0, 5, 1 if complete else rng.choice([0, 1, 1, 2])).tolist()
            for ladder in range(len(starts))
        }
        for _ in range(days)
    ]
    series = []
    for ladder, start in enumerate(starts):
        values = [value for day in content for value in day[ladder]]
        times = [d for d, day in enumerate(content) for _ in day[ladder]]
        phases = ["exposure" if d >= start else "baseline" for d in times]
        series.append(PhaseSeries(values, phases, times, label=f"ladder {ladder + 1}"))
    return content, SeriesBatch.of(*series)


@pytest.mark.parametrize("staggered", [False, True])
@pytest.mark.parametrize("ladders", [1, 2, 3])
def test_p_is_the_share_of_all_assignments(staggered, ladders):
    rng = np.random.default_rng(10 * ladders + staggered)
    for _ in range(6):
        days = int(rng.integers(4, 8))
        starts = rng.integers(1, days, ladders) if staggered else np.full(ladders, rng.integers(1, days))
        content, batch = make(rng, days, starts, complete=True)
        kinds = [tuple(int(d >= start) for start in starts) for d in range(days)]
        sums = listed(content, kinds)
        observed = sum(
            s_of([day[i][0] for day in content], [kind[i] for kind in kinds]) for i in range(ladders)
        )
        expected = {
            "two-sided": np.mean(abs(sums) >= abs(observed)),
            "improvement": np.mean(sums >= observed),
            "worsening": np.mean(sums <= observed),
        }
        for alternative, p in expected.items():
            result = stratified_tau(batch, alternative=alternative)
            assert result.p_value == pytest.approx(p, rel=1e-14, abs=0)
            assert result.counts["monte_carlo_error"] == 0
        assert result.counts["kinds_of_day"] == len(set(kinds))
        pairs = sum(int(start) * (days - int(start)) for start in starts)
        assert result.value == pytest.approx(observed / pairs)


def test_days_with_several_ratings_and_days_without():
    content = [
        {0: [7, 6], 1: [9]},
        {0: [8], 1: []},
        {0: [4, 5], 1: [8, 9]},
        {0: [], 1: [7]},
        {0: [3], 1: [6]},
    ]
    first = PhaseSeries([7, 6, 8, 4, 5, 3], ["baseline"] * 3 + ["exposure"] * 3, [0, 0, 1, 2, 2, 4])
    second = PhaseSeries([9, 8, 9, 7, 6], ["baseline"] + ["exposure"] * 4, [0, 2, 2, 3, 4])
    sums = listed(content, [(0, 0), (0, 0), (1, 1), (1, 1), (1, 1)])
    result = stratified_tau(SeriesBatch.of(first, second))
    # The second ladder was not rated on day 1, between its phases: the first was in baseline then.
    assert result.counts["kinds_of_day"] == 2
    observed = int(result.counts["concordant"] - result.counts["discordant"])
    assert result.p_value == pytest.approx(np.mean(abs(sums) >= abs(observed)), rel=1e-14, abs=0)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_one_ladder_with_one_rating_a_day_is_tau(case):
    batch = SeriesBatch.of(case.series)
    usable = batch.times[0]
    if case.estimable and len(set(usable.tolist())) < len(usable):
        return
    ours, plain = stratified_tau(batch), tau(case.series)
    for name in ("value", "p_value", "ci_low", "ci_high"):
        assert getattr(ours, name) == pytest.approx(getattr(plain, name), nan_ok=True, rel=1e-14, abs=0)
    assert ours.favors == plain.favors
    assert (ours.counts["missing"], ours.counts["declined"]) == (case.missing, case.declined)
    assert (MISSING_CAUTION in ours.cautions) == (case.missing > 0)
    assert (DECLINED_CAUTION in ours.cautions) == (case.declined > 0)
    assert (EMPTY_CAUTION in ours.cautions) == (not case.estimable)


def test_the_route_over_days_gives_the_p_of_tau_too():
    # Two identical ladders rated on the same days say no more than one.
    series = PhaseSeries.from_phases([7, 8, 7, 9], [6, 5, 7, 3, 4])
    twice = stratified_tau(SeriesBatch.of(series, series))
    assert twice.value == tau(series).value
    assert twice.p_value == pytest.approx(tau(series).p_value, rel=1e-14, abs=0)
    assert math.isnan(twice.ci_low)
    assert module.NO_INTERVAL in twice.cautions


def test_several_ratings_a_day_count_as_one_day():
    # Three equal ratings a day on 3 + 3 days: 20 assignments of days, not of ratings.
    values = np.repeat([8, 7, 9, 3, 2, 4], 3)
    series = PhaseSeries(values, ["baseline"] * 9 + ["exposure"] * 9, np.repeat(np.arange(6), 3))
    result = stratified_tau(SeriesBatch.of(series))
    assert result.counts["days"] == 6
    assert result.p_value == pytest.approx(2 / 20)
    assert tau(series).p_value < 0.001


def test_one_short_ladder_is_enough_to_be_cautious():
    long = PhaseSeries.from_phases([7, 8, 7], [5, 4, 4, 3, 5])
    short = PhaseSeries.from_phases([7, 8], [5, 4, 4, 3, 5])
    assert SHORT_CAUTION not in stratified_tau(SeriesBatch.of(long, long)).cautions
    assert SHORT_CAUTION in stratified_tau(SeriesBatch.of(long, short)).cautions


def test_declines_rank_worst_within_their_ladder():
    calm = PhaseSeries.from_phases([5, 5, 5], [5, 5, 5])
    began = PhaseSeries.from_phases([5, 5, 5], [None] * 3, declined=[False] * 3 + [True] * 3)
    result = stratified_tau(SeriesBatch.of(calm, began))
    assert result.value == -0.5
    assert result.counts["declined"] == 3


def test_days_may_be_given():
    morning_and_evening = PhaseSeries(
        [8, 7, 8, 9, 3, 2, 3, 4],
        ["baseline"] * 4 + ["exposure"] * 4,
        [1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5],
    )
    batch = SeriesBatch.of(morning_and_evening)
    assert stratified_tau(batch).counts["days"] == 8
    by_day = stratified_tau(batch, days=np.floor(batch.times))
    assert by_day.counts["days"] == 4
    assert by_day.p_value == pytest.approx(2 / 6)


def test_ladders_without_both_phases_are_named_and_left_out():
    whole = PhaseSeries.from_phases([7, 8, 7], [5, 4, 4, 3, 5], label="gangway")
    half = PhaseSeries.from_phases([], [5, 4], label="dinghy")
    result = stratified_tau(SeriesBatch.of(whole, half))
    assert "Left out: dinghy, where one of the two phases has no usable occasion." in result.cautions
    assert result.counts["strata"] == 1
    assert result.value == tau(whole).value
    assert result.p_value == tau(whole).p_value


def test_ladders_that_are_all_in_one_phase_give_no_number_and_the_reason():
    ladders = [PhaseSeries.from_phases([7, 8], [], label=label) for label in ("gangway", "dinghy")]
    result = stratified_tau(SeriesBatch.of(*ladders))
    assert np.isnan([result.value, result.p_value, result.counts["smallest_p"]]).all()
    assert result.cautions[0] == EMPTY_CAUTION


def test_too_many_assignments_are_drawn_from_the_generator_given(monkeypatch):
    _, batch = make(np.random.default_rng(4), 12, [4, 6], complete=True)
    counted = stratified_tau(batch)
    monkeypatch.setattr(null_days, "_LIMIT", 0)
    with pytest.raises(ValueError, match="rng must be a numpy Generator"):
        stratified_tau(batch)
    drawn = stratified_tau(batch, rng=np.random.default_rng(1), draws=4999)
    assert abs(drawn.p_value - counted.p_value) < 4 * drawn.counts["monte_carlo_error"]
    assert "4999 random assignments" in drawn.method
    assert drawn.p_value == stratified_tau(batch, rng=np.random.default_rng(1), draws=4999).p_value
    assert (drawn.p_value * 5000) == pytest.approx(round(drawn.p_value * 5000))


def test_holds_its_level_when_a_day_colors_all_ladders():
    # Three ladders that share each day's mood, no effect: pooling ratings would cry wolf.
    rng = np.random.default_rng(7)
    rejected = pooled = 0
    for _ in range(400):
        mood = rng.normal(0, 1.5, 13)
        ratings = np.clip(np.rint(6 + mood + rng.normal(0, 0.7, (3, 13))), 0, 10)
        batch = SeriesBatch.of(*(PhaseSeries.from_phases(row[:5], row[5:]) for row in ratings.tolist()))
        rejected += stratified_tau(batch).p_value <= 0.05
        together = PhaseSeries.from_phases(ratings[:, :5].ravel(), ratings[:, 5:].ravel())
        pooled += tau(together, interval=False).p_value <= 0.05
    assert rejected / 400 < 0.08
    assert pooled / 400 > 0.15


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ({"alternative": "up"}, "alternative must be one of"),
        ({"confidence": 2}, "confidence must be a number between 0 and 1"),
        ({"days": np.zeros((1, 2))}, r"days must have the shape of the batch \(1, 8\); got \(1, 2\)"),
        (
            {"days": np.ones((1, 8))},
            "days must lie in one phase of a series; day 1 lies in both phases of series 1",
        ),
    ],
)
def test_refusals(call, message):
    batch = SeriesBatch.of(PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8]))
    with pytest.raises(ValueError, match=message):
        stratified_tau(batch, **call)


def test_no_series():
    with pytest.raises(ValueError, match="batch must hold at least one series; got none"):
        stratified_tau(SeriesBatch.of())
