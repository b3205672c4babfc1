"""Ratings in any unit: a billion times larger or smaller, shifted, or in tenths, they say the same."""

from functools import partial

import numpy as np
import pytest
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.decision_rules import (
    deviation_band_batch,
    dual_criterion_batch,
    required_count,
    stability_envelope_batch,
)
from rungwise.single_case.designs import RandomStart
from rungwise.single_case.hamed_rao import hamed_rao_batch
from rungwise.single_case.overlap import pem_batch
from rungwise.single_case.randomization import randomization_test
from rungwise.single_case.split_middle import even_chance_tail, split_middle_batch
from rungwise.single_case.staggered_starts import StaggeredStarts
from scipy import stats

UNIT_FREE = {
    "pem": pem_batch,
    "hamed_rao": partial(hamed_rao_batch, phase="baseline"),
    "dual_criterion": dual_criterion_batch,
    "conservative": partial(dual_criterion_batch, shift=0.25),
    "deviation_band": deviation_band_batch,
    "split_middle": split_middle_batch,
    "stability_envelope": stability_envelope_batch,
}
VALUES = np.random.default_rng(4).integers(0, 8, (60, 22))
EQUIVALENT = {
    "a billion times": lambda values: values * 1e9,
    "a billionth": lambda values: values * 1e-9,
    "tenths": lambda values: values * 0.1,
    "thirds": lambda values: values / 3,
}
SHIFTED = {"far from zero": lambda values: values + 1e9, "halves, far below zero": lambda v: v / 2 - 1e6}


def fields(function, values):
    found = function(SeriesBatch.from_arrays(np.asarray(values, dtype=float), 10))
    favors = np.array([one.favors == "improvement" for one in found], dtype=float)
    return np.column_stack([found.value, found.p_value, favors])


@pytest.mark.parametrize("change", EQUIVALENT)
@pytest.mark.parametrize("name", UNIT_FREE)
def test_the_unit_makes_no_difference(name, change):
    ours = fields(UNIT_FREE[name], EQUIVALENT[change](VALUES))
    assert ours == pytest.approx(fields(UNIT_FREE[name], VALUES), rel=1e-9, nan_ok=True)


@pytest.mark.parametrize("change", SHIFTED)
@pytest.mark.parametrize("name", [name for name in UNIT_FREE if name != "stability_envelope"])
def test_zero_is_no_special_rating(name, change):
    ours = fields(UNIT_FREE[name], SHIFTED[change](VALUES))
    assert ours == pytest.approx(fields(UNIT_FREE[name], VALUES), rel=1e-9, nan_ok=True)


@pytest.mark.parametrize("statistic", ["mean_difference", "tau", "immediate_change"])
@pytest.mark.parametrize("change", EQUIVALENT | SHIFTED)
def test_a_randomization_test_counts_the_same_assignments_in_every_unit(monkeypatch, change, statistic):
    from rungwise.single_case import assignments

    mask = np.arange(22) >= 10
    phases = np.where(mask, "exposure", "baseline").tolist()
    single = RandomStart(5, 17, "random")
    windows = StaggeredStarts(((9, 10, 11), (11, 12), (10, 11, 14)), True, "random")
    changed = (EQUIVALENT | SHIFTED)[change](VALUES.astype(float))
    for listed in (1_000_000, 0):
        for rows, design in (((0,), single), ((1, 2, 3), windows)):
            if listed == 0 and len(rows) == 1:
                continue
            monkeypatch.setattr(assignments, "MOST_LISTED", listed)
            plain, other = (
                randomization_test(
                    [PhaseSeries(values[row], phases) for row in rows],
                    design=[design] if len(rows) == 1 else design,
                    statistic=statistic,
                    confidence=0.7,
                )
                for values in (VALUES, changed)
            )
            assert (other.counts["as_good"], other.counts["as_bad"]) == (
                plain.counts["as_good"],
                plain.counts["as_bad"],
            )
            per_point = changed[0, 1] - changed[0, 0]
            per_point /= VALUES[0, 1] - VALUES[0, 0]
            for name in ("ci_low", "ci_high"):
                expected = getattr(plain, name) * per_point
                assert getattr(other, name) == pytest.approx(expected, abs=1e-4 * per_point, nan_ok=True)


def test_tails_and_required_counts_of_long_phases_are_the_binomial_ones():
    for n in (1, 8, 60, 400, 3000):
        count = np.array([0, n // 2, (2 * n) // 3, n])
        theirs = stats.binom.sf(count - 1, n, 0.5)
        assert even_chance_tail(count, np.full(4, n)) == pytest.approx(theirs, rel=1e-9, abs=1e-300)
    needed = required_count(3000)
    assert stats.binom.sf(needed - 1, 3000, 0.5) <= 0.05 < stats.binom.sf(needed - 2, 3000, 0.5)
