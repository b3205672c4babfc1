import math

import numpy as np
import pytest
from rungwise.agreement.missing import (
    AnswerBounds,
    headline_bounds,
    missing_after_worse,
    missing_as,
    missing_counts,
)
from rungwise.basis.intervals import share_interval
from rungwise.series.caseload import read_caseload
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.child_answer import child_verdict
from rungwise.single_case.tau import tau
from rungwise.single_case.verdict import FELL, Rule
from scipy import stats


def _series(values, baseline=3, **scale):
    phases = ["baseline"] * baseline + ["exposure"] * (len(values) - baseline)
    declined = [value == "declined" for value in values]
    return PhaseSeries(
        [None if value == "declined" else value for value in values], phases, declined=declined, **scale
    )


def test_counts_by_child_and_phase(tmp_path):
    path = tmp_path / "ratings.csv"
    path.write_text(
        "child_id,date,phase,rating\n"
        "C1,2026-01-01,baseline,7\nC1,2026-01-02,baseline,missed\nC1,2026-01-03,exposure,declined\n"
        "C1,2026-01-04,exposure,3\nC2,2026-01-01,baseline,5\n"
    )
    frame = missing_counts(read_caseload(path)).set_index(["child_id", "phase"])
    assert frame.loc[("C1", "baseline"), ["planned", "rated", "declined", "missing"]].tolist() == [
        2,
        1,
        0,
        1,
    ]
    assert frame.loc[("C1", "exposure"), ["planned", "rated", "declined", "missing"]].tolist() == [
        2,
        1,
        1,
        0,
    ]
    assert frame.loc[("C1", "baseline"), "share_missing"] == 0.5
    assert frame.loc[("C2", "baseline"), "missing"] == 0


def test_one_series_is_the_rank_sum_test():
    values = [8, None, 5, 9, None, 4, 4, None, 3, 6, 2, 4]
    result = missing_after_worse(_series(values))
    before_missing, before_others = [8, 9, 4], [8, 5, 9, 4, 4, 3, 6, 2]
    test = stats.mannwhitneyu(before_missing, before_others, use_continuity=False, method="asymptotic")
    assert result.value == pytest.approx(2 * test.statistic / (3 * 8) - 1)
    assert result.p_value == pytest.approx(test.pvalue)
    assert result.counts["missing"] == 3


def test_children_are_compared_within_themselves():
    # Missing occasions are with the child of high ratings, but follow its better ones.
    low = _series([1, 2, 1, 2, 1, 2, 1, 2, 1, 2])
    high = _series([8, 9, 8, None, 9, 8, None, 9, 8, None])
    both = missing_after_worse(low, high)
    assert both.value == missing_after_worse(high).value == -0.5  # half of the pairs tie
    assert both.n == 18


def test_a_decline_is_worse_than_any_rating():
    result = missing_after_worse(_series([5, 6, "declined", None, 4, 5, 6, "declined", None, 4]))
    assert result.value == pytest.approx(10 / 14)  # 14 pairs, 4 of them ties of declines


def test_higher_may_be_better():
    values = [5, None, 3, 6, None, 2, 1]
    lower = missing_after_worse(_series(values, better="lower"))
    assert missing_after_worse(_series(values, better="higher")).value == -lower.value != 0


def test_level_holds_and_dependence_is_found():
    rng = np.random.default_rng(14)

    def share_found(depends):
        found = 0
        for _ in range(300):
            series = []
            for _ in range(8):
                x = np.clip(np.rint(6 + np.cumsum(rng.normal(0, 1, 15))), 0, 10)
                x_seen = x.copy()
                for t in range(1, 15):
                    chance = 0.15 if not depends else (0.35 if x[t - 1] > np.median(x) else 0.05)
                    if rng.random() < chance:
                        x_seen[t] = np.nan
                series.append(_series(x_seen.tolist()))
            result = missing_after_worse(*series)
            found += result.p_value < 0.05 and result.value > 0
        return found / 300

    assert 0.005 <= share_found(depends=False) <= 0.05
    assert share_found(depends=True) > 0.6


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ([5, 6, 7, 4], "No occasion written down after a first rating lacks its own"),
        ([5, None, None, None], "cannot be told apart"),
        ([5, None, 5, 5], "cannot be told apart"),
    ],
)
def test_nothing_to_compare(values, words):
    result = missing_after_worse(_series(values))
    assert math.isnan(result.value)
    assert math.isnan(result.p_value)
    assert words in result.cautions[0]


def test_few_missing_is_said():
    few = missing_after_worse(_series([8, None, 5, 9, None, 4, 3]))
    assert few.cautions == ("Fewer than 10 occasions are missing, too few for this p-value to be trusted.",)


def test_bounds_enclose_every_way_of_filling():
    rng = np.random.default_rng(5)
    series = _series([7, None, 6, 8, None, 4, "declined", None, 3], baseline=4, floor=0, ceiling=10)
    worst, best = (tau(missing_as(series, case)).value for case in ("worst", "best"))
    gaps = ~series.usable
    for _ in range(200):
        # A missing occasion can have been a decline, too.
        refused = gaps & (rng.random(len(series)) < 0.3)
        values = np.where(gaps & ~refused, rng.integers(0, 11, len(series)), series.values)
        filled = PhaseSeries(values, series.phases, declined=series.declined | refused)
        assert worst <= tau(filled).value <= best
    assert worst < best


def test_filling_keeps_everything_else():
    series = _series([7, None, 6, "declined", None, 4], floor=0, ceiling=10, better="higher", label="C1")
    best = missing_as(series, "best")
    assert best.values[[0, 2, 4, 5]].tolist() == [7, 6, 10, 4]
    assert best.declined.tolist() == [False, True, False, True, False, False]
    assert (best.label, best.better, best.n_missing) == ("C1", "higher", 0)
    without_scale = missing_as(_series([7, None, 6, None, 4]), "worst")
    assert without_scale.values[[0, 1, 2, 4]].tolist() == [7, 3, 6, 4]
    assert without_scale.declined.tolist() == [False, False, False, True, False]
    with pytest.raises(ValueError, match="case must be one of 'best', 'worst'; got 'mean'"):
        missing_as(series, "mean")
    with pytest.raises(ValueError, match="series must have at least one rating"):
        missing_as(_series([None, "declined", None, None]), "best")


def test_headline_bounds():
    bounds = headline_bounds(12, 20, 5)
    assert bounds.observed.value == 12 / 20
    assert (bounds.worst.value, bounds.best.value) == (12 / 25, 17 / 25)
    assert bounds.worst.ci_low == share_interval(12, 25).ci_low
    assert bounds.best.ci_high == share_interval(17, 25).ci_high
    assert headline_bounds(12, 20, 0).sentence == "12 of 20 improved."
    nobody = headline_bounds(0, 0, 3)
    assert math.isnan(nobody.observed.value)
    assert (nobody.worst.value, nobody.best.value) == (0, 1)
    with pytest.raises(ValueError, match="not_judged must be a whole number of at least 0; got -1"):
        headline_bounds(1, 2, -1)
    with pytest.raises(ValueError, match="count must not exceed n"):
        headline_bounds(3, 2, 1)


def test_a_filling_between_the_two_can_call_a_fall_where_neither_does():
    """So the two ends bound NAP and Tau, but are no certain bounds of the verdict in words."""
    values = [None, 5, 6, 3, 5, 4, 3, 3, 5, 5, None, 3, 3]
    series = PhaseSeries(values, ["baseline"] * 6 + ["exposure"] * 7, floor=0, ceiling=10)
    ends = [child_verdict({"net": missing_as(series, case)}, Rule()) for case in ("worst", "best")]
    found = {}
    for first in range(11):
        for second in range(11):
            filled = [first, *values[1:10], second, *values[11:]]
            one = PhaseSeries(filled, series.phases, floor=0, ceiling=10)
            found[first, second] = child_verdict({"net": one}, Rule())
    assert not any(one.code in FELL for one in ends)
    assert any(one.code in FELL for one in found.values())
    assert all(
        ends[0].size.value <= one.size.value <= ends[1].size.value
        and ends[0].fell.value <= one.fell.value <= ends[1].fell.value
        for one in found.values()
    )
    assert "p depends on ties" in " ".join(AnswerBounds.__doc__.split())
