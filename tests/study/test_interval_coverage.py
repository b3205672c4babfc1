"""The shipped coverage of intervals over cases: some cells simulated again, and what it has to show."""

import math
import re

import numpy as np
import pytest
from rungwise.basis.page_numbers import format_number
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.study.between_case import between_case_d
from rungwise.study.interval_coverage import STATISTICS, coverage_table, coverage_words
from rungwise.study.multilevel import multilevel_change

REPLICATIONS = 60


def cell(statistic, cases, *world):
    (row,) = (
        one for one in coverage_table()
        if (one.statistic, one.cases, one.between, one.phi, one.effect, one.sd_change)
        == (statistic, cases, *world)
    )  # fmt: skip
    return row


def study(rng, cases, between, phi, effect, sd_change):
    """The worlds of benchmarks/study_coverage.py, written again."""
    noise = rng.normal(size=(cases, 20))
    for t in range(1, 20):
        noise[:, t] = phi * noise[:, t - 1] + math.sqrt(1 - phi**2) * noise[:, t]
    y = math.sqrt(between) * rng.normal(size=(cases, 1)) + math.sqrt(1 - between) * noise
    changes = effect + sd_change * rng.normal(size=cases)
    starts = [5 + 3 * (i % 4) for i in range(cases)]
    return SeriesBatch.of(
        *(
            PhaseSeries.from_phases(row[:start], row[start:] + change, better="higher")
            for row, start, change in zip(y, starts, changes, strict=True)
        )
    )


@pytest.mark.parametrize("world", [(0.5, 0.3, 1.0, 0.0), (0.5, 0.3, 0.0, 0.7)])
@pytest.mark.parametrize("cases", [3, 6])
def test_a_cell_simulated_again_agrees_with_the_table(cases, world):
    rng = np.random.default_rng([cases, int(10 * world[3])])
    batches = [study(rng, cases, *world) for _ in range(REPLICATIONS)]
    for statistic, estimate in (
        ("multilevel change", lambda batch: multilevel_change(batch).change),
        ("between-case d, reml", between_case_d),
    ):
        row = cell(statistic, cases, *world)
        estimates = [estimate(batch) for batch in batches]
        values = np.array([one.value for one in estimates])
        assert abs(values.mean() - row.mean) < 4.5 * values.std(ddof=1) / math.sqrt(REPLICATIONS)
        held = np.mean([one.ci_low <= world[2] <= one.ci_high for one in estimates])
        error = math.sqrt(row.coverage * (1 - row.coverage) * (1 / REPLICATIONS + 1 / 400))
        assert abs(held - row.coverage) < 4 * error + 1 / REPLICATIONS


def test_satterthwaite_holds_the_level_where_the_normal_quantile_does_not():
    """What the degrees of freedom are for: few cases that truly differ in their change."""
    world = (0.5, 0.3, 0.0, 0.7)
    for cases in (3, 4, 6):
        kept = cell("multilevel change", cases, *world)
        normal = cell("multilevel change, normal quantile", cases, *world)
        assert kept.coverage > 0.925
        assert kept.called < 0.075
        assert normal.called > kept.called + 0.02
        assert normal.called > 0.08


def test_the_between_case_interval_is_too_narrow_where_changes_differ_and_the_words_say_so():
    rows = [cell("between-case d, reml", cases, 0.5, 0.3, 0.0, 0.7) for cases in (6, 10)]
    assert all(row.coverage < 0.9 for row in rows)
    assert f"({_percent(rows[1])})" in coverage_words(10)


def _percent(row):
    return f"in {format_number(100 * row.coverage, 0)} %"


def test_every_cell_has_every_statistic():
    table = coverage_table()
    for size in (3, 4, 6, 10):
        worlds = {(row.between, row.phi, row.effect, row.sd_change) for row in table if row.cases == size}
        assert len(worlds) == 6
        for world in worlds:
            found = {
                row.statistic for row in table
                if (row.cases, row.between, row.phi, row.effect, row.sd_change) == (size, *world)
            }  # fmt: skip
            assert set(STATISTICS) <= found
    with_trend = [row for row in table if row.statistic == "between-case d, reml, trend"]
    assert {row.cases for row in with_trend} == {3, 4, 6, 10}
    assert all(row.coverage > 0.9 for row in with_trend)
    normal = [row for row in table if row.statistic == "multilevel change, normal quantile"]
    assert {row.sd_change for row in normal} == {0.7}


def test_the_words_give_the_range_of_the_nearest_size():
    text = coverage_words(5)
    assert text.startswith("In simulated studies of 4 cases the 95% interval held the truth")
    rows = [row for row in coverage_table() if (row.statistic, row.cases) == ("multilevel change", 4)]
    same = [100 * row.coverage for row in rows if row.sd_change == 0]
    low, high = re.search(r"the average change in (\d+) to (\d+) %", text).groups()
    assert (low, high) == (format_number(min(same), 0), format_number(max(same), 0))
    assert coverage_words(40).startswith("In simulated studies of 10 cases")
