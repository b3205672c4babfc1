"""Randomization tests: against scipy, brute force over every draw, and their own promise."""

import math
from itertools import permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.basis.errors import NotEnoughData
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import assignments, randomization
from rungwise.single_case.designs import Alternating, PermittedAssignments, RandomChanges, RandomStart
from rungwise.single_case.randomization import randomization_test
from rungwise.single_case.staggered_starts import StaggeredStarts
from scipy import stats


def series_of(values, mask, better="higher", **keywords):
    return PhaseSeries(values, np.where(mask, "exposure", "baseline").tolist(), better=better, **keywords)


def started(values, start, better="higher", **keywords):
    return series_of(values, np.arange(1, len(values) + 1) >= start, better, **keywords)


# Naive twins of the three statistics, in exact arithmetic where that is possible.
def mean_difference(values, mask):
    a = [v for v, x in zip(values, mask, strict=True) if not x]
    b = [v for v, x in zip(values, mask, strict=True) if x]
    return sum(b) / len(b) - sum(a) / len(a)


def tau(values, mask):
    a = [v for v, x in zip(values, mask, strict=True) if not x]
    b = [v for v, x in zip(values, mask, strict=True) if x]
    return sum(np.sign(y - x) for x in a for y in b) / (len(a) * len(b))


def immediate_change(values, mask):
    edges = [i for i in range(1, len(mask)) if mask[i] != mask[i - 1]]
    steps = []
    for k, edge in enumerate(edges):
        begin = edges[k - 1] if k else 0
        end = edges[k + 1] if k + 1 < len(edges) else len(mask)
        step = np.mean(values[edge : min(edge + 3, end)]) - np.mean(values[max(begin, edge - 3) : edge])
        steps.append(step if mask[edge] else -step)
    return np.mean(steps)


TWINS = {"mean_difference": mean_difference, "tau": tau, "immediate_change": immediate_change}


@pytest.mark.parametrize("statistic", sorted(TWINS))
@settings(max_examples=25)
@given(values=st.lists(st.integers(0, 6), min_size=9, max_size=9), start=st.integers(3, 7))
def test_random_start_equals_brute_force(statistic, values, start):
    masks = RandomStart(3, 7, "random").masks(9)
    twin = TWINS[statistic]
    null = np.array([twin(values, mask) for mask in masks])
    observed = twin(values, masks[start - 3])
    for alternative, expected in (
        ("improvement", np.mean(null >= observed - 1e-12)),
        ("worsening", np.mean(null <= observed + 1e-12)),
    ):
        ours = randomization_test(
            started(values, start),
            design=RandomStart(3, 7, "random"),
            statistic=statistic,
            alternative=alternative,
        )
        assert ours.value == pytest.approx(observed)
        assert ours.p_value == pytest.approx(expected)
    two = randomization_test(
        started(values, start),
        design=RandomStart(3, 7, "random"),
        statistic=statistic,
        alternative="two-sided",
    )
    tails = np.mean(null >= observed - 1e-12), np.mean(null <= observed + 1e-12)
    assert two.p_value == pytest.approx(min(1, 2 * min(tails)))


@pytest.mark.parametrize("statistic", sorted(TWINS))
@settings(max_examples=15)
@given(values=st.lists(st.integers(0, 6), min_size=12, max_size=12), row=st.integers(0, 34))
def test_random_changes_equal_brute_force(statistic, values, row):
    design = RandomChanges(12, 4, 2, "random")
    masks, twin = design.masks(12), TWINS[statistic]
    null = np.array([twin(values, mask) for mask in masks])
    ours = randomization_test(series_of(values, masks[row]), design=design, statistic=statistic)
    assert ours.value == pytest.approx(null[row])
    assert ours.counts["as_good"] == np.sum(null >= null[row] - 1e-12)
    assert ours.counts["as_bad"] == np.sum(null <= null[row] + 1e-12)


@settings(max_examples=20)
@given(st.lists(st.integers(0, 8), min_size=8, max_size=8))
def test_unrestricted_order_agrees_with_scipy(values):
    mask = np.array([0, 1, 1, 0, 1, 0, 0, 1], bool)
    y = np.array(values, float)
    theirs = stats.permutation_test(
        (y[mask], y[~mask]), lambda b, a: b.mean() - a.mean(), alternative="greater", n_resamples=np.inf
    )
    ours = randomization_test(series_of(values, mask), design=Alternating(8, "random"))
    assert ours.p_value == pytest.approx(theirs.pvalue)
    assert ours.counts["assignments"] == 70


def brute_staggered(values, windows, shuffled, twin):
    m = len(windows)
    orders = permutations(range(m)) if shuffled else [tuple(range(m))]
    for order in orders:
        for starts in product(*(windows[w] for w in order)):
            yield np.mean(
                [
                    twin(v, np.arange(1, len(v) + 1) >= start)
                    for v, start in zip(values, starts, strict=True)
                ]
            )


@pytest.mark.parametrize("statistic", sorted(TWINS))
@pytest.mark.parametrize("shuffled", [True, False])
@pytest.mark.parametrize(
    "windows", [((4,), (6,), (8,)), ((3, 4), (5, 6, 7), (8, 9)), ((3, 4, 5), (4, 5, 6), (5, 6))]
)
def test_staggered_starts_equal_brute_force_listed_and_met_in_the_middle(
    monkeypatch, statistic, shuffled, windows
):
    rng = np.random.default_rng(len(windows[1]) + shuffled)
    values = rng.integers(0, 9, (3, 12)).astype(float)
    starts = (windows[0][0], windows[1][-1], windows[2][0])
    several = [started(v, start) for v, start in zip(values, starts, strict=True)]
    design = StaggeredStarts(windows, shuffled, "random")
    twin = TWINS[statistic]
    null = np.array(list(brute_staggered(values, windows, shuffled, twin)))
    observed = np.mean(
        [twin(v, np.arange(1, 13) >= start) for v, start in zip(values, starts, strict=True)]
    )
    good, bad = np.sum(null >= observed - 1e-12), np.sum(null <= observed + 1e-12)
    listed = randomization_test(several, design=design, statistic=statistic)
    assert "listed" in listed.method
    monkeypatch.setattr(assignments, "MOST_LISTED", 0)
    met = randomization_test(several, design=design, statistic=statistic)
    assert "meeting in the middle" in met.method
    for ours in (listed, met):
        assert (ours.counts["as_good"], ours.counts["as_bad"]) == (good, bad)
        assert ours.p_value == pytest.approx(good / len(null))
        assert ours.value == pytest.approx(observed)
    assert (met.ci_low, met.ci_high) == pytest.approx(
        (listed.ci_low, listed.ci_high), abs=3e-7, nan_ok=True
    )


def test_one_design_per_series_equals_brute_force(monkeypatch):
    rng = np.random.default_rng(5)
    values = rng.integers(0, 9, (3, 8)).astype(float)
    designs = [
        Alternating(8, "random"),
        RandomStart(3, 6, "random"),
        Alternating(8, "random", longest_run=2),
    ]
    masks = [design.masks(8) for design in designs]
    chosen = [masks[0][11], masks[1][2], masks[2][7]]
    null = np.array(
        [
            np.mean([mean_difference(v, m) for v, m in zip(values, row, strict=True)])
            for row in product(*masks)
        ]
    )
    observed = np.mean([mean_difference(v, m) for v, m in zip(values, chosen, strict=True)])
    several = [series_of(v, m) for v, m in zip(values, chosen, strict=True)]
    for limit in (1_000_000, 100):
        monkeypatch.setattr(assignments, "MOST_LISTED", limit)
        ours = randomization_test(several, design=designs, interval=False)
        assert ours.counts["assignments"] == len(null) == 70 * 4 * 34
        assert ours.counts["as_good"] == np.sum(null >= observed - 1e-12)
        assert ours.counts["as_bad"] == np.sum(null <= observed + 1e-12)


def test_billions_of_assignments_agree_with_a_sample_of_them():
    rng = np.random.default_rng(3)
    windows = tuple(tuple(range(4 + 3 * i, 9 + 3 * i)) for i in range(8))
    starts = [window[2] for window in windows]
    several = [started(rng.integers(2, 9, 32) + (np.arange(32) >= s - 1), s) for s in starts]
    design = StaggeredStarts(windows, True, "random")
    exact = randomization_test(several, design=design, interval=False)
    assert exact.counts["assignments"] == math.factorial(8) * 5**8
    cases = [assignments.oriented_case(s, i) for i, s in enumerate(several)]
    masks, picks = assignments._drawn(design, cases, 40_000, rng)
    drawn = assignments.Permitted([[mask] for mask in masks], picks, 40_000, False, "")
    sample = assignments.counting(drawn, cases, "mean_difference").statistics
    share = np.mean(sample >= exact.value - 1e-9)
    assert share == pytest.approx(exact.p_value, abs=5 * math.sqrt(exact.p_value / 40_000) + 1e-4)


def test_shifting_the_exposure_ratings_inverts_the_test():
    rng = np.random.default_rng(8)
    values = rng.normal(5, 1, 40)
    mask = np.arange(1, 41) >= 21
    values[mask] -= 2
    design = RandomStart.with_minima(40, 10, 10, "random")
    ours = randomization_test(series_of(values, mask), design=design, confidence=0.8)
    tail = 0.1
    for limit, inside, alternative in (
        (ours.ci_low, 1e-6, "improvement"),
        (ours.ci_high, -1e-6, "worsening"),
    ):

        def p_at(shift, alternative=alternative):
            return randomization_test(
                series_of(values - shift * mask, mask), design=design, alternative=alternative
            ).p_value

        assert p_at(limit + inside) > tail
        assert p_at(limit - inside) <= tail
    assert ours.ci_low <= ours.value <= ours.ci_high
    assert randomization.SHIFT in ours.cautions


@pytest.mark.parametrize("trend", [0.0, -0.2])
def test_it_keeps_its_level_under_trend_and_autocorrelation_and_its_interval_covers(trend):
    rng = np.random.default_rng(10)
    design = RandomStart(6, 25, "random")
    rejected = covered = 0
    for _ in range(400):
        noise = rng.normal(size=30)
        for t in range(1, 30):
            noise[t] += 0.6 * noise[t - 1]
        start = int(rng.integers(6, 26))
        values = np.rint(8 + trend * np.arange(30) + noise) - (np.arange(1, 31) >= start)
        series = started(values, start, better="lower")
        test = randomization_test(series, design=design, confidence=0.8)
        covered += test.ci_low <= -1 <= test.ci_high
        without = started(values + (np.arange(1, 31) >= start), start, better="lower")
        rejected += randomization_test(without, design=design).p_value <= 0.05
    assert rejected / 400 <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 400)
    assert covered / 400 >= 0.8 - 3 * math.sqrt(0.16 / 400)


def test_equal_statistics_count_as_ties_whatever_the_rounding():
    # Thirds and sevenths: the same means arise from different sums.
    values = [0.1, 0.2, 0.3, 0.1, 0.2, 0.3, 0.1, 0.2, 0.3]
    mask = np.array([0, 0, 0, 1, 1, 1, 0, 0, 0], bool)
    design = Alternating(9, "random", exposure=3)
    ours = randomization_test(series_of(values, mask), design=design)
    whole = randomization_test(series_of([round(10 * v) for v in values], mask), design=design)
    assert ours.counts["as_good"] == whole.counts["as_good"]
    assert ours.counts["as_bad"] == whole.counts["as_bad"]
    assert whole.counts["as_good"] + whole.counts["as_bad"] > 84


def test_met_in_the_middle_ties_survive_rounding(monkeypatch):
    monkeypatch.setattr(assignments, "MOST_LISTED", 0)
    values = np.array([[1, 2, 3, 1, 2, 3, 1], [3, 2, 1, 3, 2, 1, 2], [2, 2, 1, 1, 3, 3, 2]])
    design = StaggeredStarts(((3, 4, 5),) * 3, False, "random")
    counts = [
        randomization_test([started(v * scale, 4) for v in values], design=design).counts
        for scale in (1, 0.1, 0.7)
    ]
    assert counts[0]["as_good"] == counts[1]["as_good"] == counts[2]["as_good"]
    assert counts[0]["as_bad"] == counts[1]["as_bad"] == counts[2]["as_bad"]


def test_monte_carlo_adds_one_and_states_its_error():
    values = np.arange(40.0)
    mask = np.arange(40) % 2 == 1
    design = Alternating(40, "random")
    with pytest.raises(ValueError, match="rng must be a numpy Generator: the 137,846,528,820 permitted"):
        randomization_test(series_of(values, mask), design=design)
    first = randomization_test(series_of(values, mask), design=design, rng=np.random.default_rng(1))
    again = randomization_test(series_of(values, mask), design=design, rng=np.random.default_rng(1))
    assert first.as_row() == again.as_row()
    assert first.p_value == (first.counts["as_good"] + 1) / 10_000
    p = first.p_value
    assert first.counts["monte_carlo_error"] == pytest.approx(math.sqrt(p * (1 - p) / 9_999))
    assert "Monte Carlo, 9,999 of" in first.method
    clear = np.where(mask, 9.0, 1.0)
    best = randomization_test(
        series_of(clear, mask), design=design, draws=999, rng=np.random.default_rng(1)
    )
    assert best.p_value == 1 / 1000


@pytest.mark.parametrize(
    "design",
    [Alternating(12, "random", longest_run=2), RandomChanges(12, 4, 2, "random")],
)
def test_monte_carlo_agrees_with_the_exact_p(monkeypatch, design):
    rng = np.random.default_rng(6)
    values = rng.integers(0, 9, 12).astype(float)
    series = series_of(values, design.masks(12)[17])
    exact = randomization_test(series, design=design)
    monkeypatch.setattr(assignments, "MOST_LISTED", 0)
    drawn = randomization_test(series, design=design, draws=20_000, rng=rng)
    assert drawn.p_value == pytest.approx(exact.p_value, abs=5 * drawn.counts["monte_carlo_error"] + 1e-4)
    if not math.isnan(exact.ci_low):
        assert drawn.ci_low == pytest.approx(exact.ci_low, abs=0.8)


def test_monte_carlo_of_staggered_starts_agrees_with_the_exact_p(monkeypatch):
    rng = np.random.default_rng(6)
    several = [started(rng.integers(0, 9, 12), s) for s in (4, 6, 9)]
    design = StaggeredStarts(((3, 4), (6, 7), (9, 10)), True, "random")
    exact = randomization_test(several, design=design)
    monkeypatch.setattr(assignments, "MOST_LISTED", 0)
    monkeypatch.setattr(assignments, "MOST_IN_HALVES", 1)
    drawn = randomization_test(several, design=design, draws=20_000, rng=rng)
    assert "Monte Carlo" in drawn.method
    assert drawn.p_value == pytest.approx(exact.p_value, abs=5 * drawn.counts["monte_carlo_error"])


def test_direction_and_sign():
    values = [8, 7, 8, 8, 7, 4, 4, 3, 3, 2]
    design = RandomStart(4, 8, "random")
    lower = randomization_test(started(values, 6, better="lower"), design=design)
    assert lower.value == pytest.approx(3.2 - 7.6)
    assert (lower.favors, lower.p_value, lower.unit) == ("improvement", 0.2, "points")
    assert math.isnan(lower.ci_low)
    assert randomization.UNBOUNDED in lower.cautions
    higher = randomization_test(started(values, 6, better="higher"), design=design)
    assert (higher.favors, higher.p_value) == ("worsening", 1.0)
    ranked = randomization_test(started(values, 6, better="lower"), design=design, statistic="tau")
    assert ranked.value == 1
    assert randomization.UNBOUNDED in ranked.cautions
    assert math.isnan(ranked.counts["shift_low"])
    assert math.isnan(ranked.counts["shift_high"])
    assert ranked.counts["shift"] == -4.0


def test_declines_rank_worst_in_tau_and_are_left_out_of_means():
    declined = np.zeros(10, bool)
    declined[[6, 7]] = True
    values = np.array([8, 7, 8, 7, 7, 4, np.nan, np.nan, 3, 2])
    series = started(values, 6, better="lower", declined=declined)
    design = RandomStart(4, 8, "random")
    means = randomization_test(series, design=design)
    assert means.value == pytest.approx(9 / 3 - 37 / 5)
    assert randomization.DECLINES_LEFT_OUT in means.cautions
    oriented = [-8, -7, -8, -7, -7, -4, -99, -99, -3, -2]
    ranked = randomization_test(series, design=design, statistic="tau")
    masks = design.masks(10)
    assert ranked.value == pytest.approx(tau(oriented, masks[2]))
    null = [tau(oriented, mask) for mask in masks]
    assert ranked.counts["as_good"] == np.sum(np.array(null) >= null[2] - 1e-12)


def test_missing_occasions_keep_their_place():
    with_gap = started([8, None, 8, 7, None, 4, 4, 3], 6, better="lower")
    design = RandomStart(4, 7, "random")
    ours = randomization_test(with_gap, design=design)
    masks = design.masks(8)
    kept = [0, 2, 3, 5, 6, 7]
    null = [mean_difference([-8, -8, -7, -4, -4, -3], mask[kept]) for mask in masks]
    assert ours.counts["as_good"] == np.sum(np.array(null) >= null[2] - 1e-12)
    assert ours.n == 6


def test_a_clinical_start_is_refused_in_plain_words():
    series = started([8, 7, 8, 4, 4, 3], 4)
    with pytest.raises(ValueError, match="needs an assignment that was drawn at random; this design says"):
        randomization_test(series, design=RandomStart(3, 5, "clinical"))
    with pytest.raises(ValueError, match="design must say what was drawn at random"):
        randomization_test(series, design=None)
    with pytest.raises(ValueError, match="design must say what was drawn at random"):
        randomization_test(series, design="random")


LISTED = PermittedAssignments([[0, 0, 1, 1, 1, 1], [0, 0, 0, 1, 1, 1]], "random")
SIX = started([8, 7, 8, 4, 4, 3], 4)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: randomization_test(SIX, design=RandomStart(5, 6, "random")),
            "design must permit what was done",
        ),
        (
            lambda: randomization_test(
                [SIX, SIX], design=StaggeredStarts(((2, 3), (4, 5)), True, "random")
            ),
            "exposure started at occasions 4, 4",
        ),
        (lambda: randomization_test([SIX, SIX], design=LISTED), "one single-series design per series"),
        (
            lambda: randomization_test(SIX, design=StaggeredStarts(((4,), (5,)), True, "random")),
            r"windows must be one per series \(1\); got 2",
        ),
        (lambda: randomization_test(SIX, design=LISTED, statistic="nap"), "statistic must be one of"),
        (
            lambda: randomization_test(SIX, design=LISTED, alternative="greater"),
            "alternative must be one of",
        ),
        (lambda: randomization_test(SIX, design=LISTED, draws=10), "draws must be 99 or more; got 10"),
        (lambda: randomization_test(SIX, design=LISTED, confidence=95), "confidence must be a number"),
        (
            lambda: randomization_test(
                series_of([1, 2, 3, 4], np.array([0, 1, 0, 1], bool)),
                design=Alternating(4, "random"),
                statistic="immediate_change",
            ),
            "statistic must be 'mean_difference' or 'tau' where single occasions alternate",
        ),
        (
            lambda: randomization_test(
                [SIX, started([1, 2, 3, 4, 5, 6], 5, better="lower")],
                design=StaggeredStarts(((4,), (5,)), True, "random"),
            ),
            "series must be one or more, all with the same direction",
        ),
        (
            lambda: randomization_test(
                [SIX, started([1, 2, 3, 4, 5, 6], 5)],
                design=StaggeredStarts(((4,), (5, 7)), True, "random"),
            ),
            "windows must hold occasion numbers up to the length of every series",
        ),
    ],
)
def test_wrong_calls_are_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_an_assignment_that_empties_a_phase_is_not_enough_data():
    gap = started([None, 7, 8, 4, 4, 3], 4)
    with pytest.raises(NotEnoughData, match="permits 1 baseline, 5 exposure"):
        randomization_test(gap, design=RandomStart(2, 5, "random"))
    with pytest.raises(NotEnoughData, match="has no usable occasion in exposure"):
        randomization_test(PhaseSeries([1, 2, 3], ["baseline"] * 3), design=RandomStart(2, 3, "random"))


def test_smallest_p_is_said_when_it_is_out_of_reach():
    ours = randomization_test(SIX, design=RandomStart(3, 5, "random"), alternative="two-sided")
    assert ours.counts["smallest_p"] == pytest.approx(2 / 3)
    assert randomization.OUT_OF_REACH in ours.cautions
