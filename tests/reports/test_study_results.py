"""Results of a study's report: figures that can be read, and a test in points."""

import re

from rungwise.basis.page_numbers import format_number
from rungwise.reports import study_results
from rungwise.reports.manuscript import to_blocks
from rungwise.reports.study_results import primary
from rungwise.study.analysis import analyze_study


def test_more_cases_than_a_figure_can_hold_take_two(study_inputs, monkeypatch):
    monkeypatch.setattr(study_results, "MOST_IN_A_FIGURE", 3)
    drawings = study_results.figures(study_inputs.result.study)
    assert ["part 1 of 2" in one.caption for one in drawings] == [True, False]
    panels = [len(one.axes.get_figure(root=True).axes) for one in drawings]
    assert panels == [2, 2]


def test_a_study_tested_with_tau_gives_its_interval_in_points(study_inputs):
    result = analyze_study(
        study_inputs.result.study, statistic="tau", alternative="improvement", alpha=0.05
    )
    counts = result.test.counts
    assert counts["shift_low"] < counts["shift"] < counts["shift_high"]
    said = " ".join(str(block) for block in to_blocks(primary(result)))
    said = re.sub(r"\s+", " ", said)
    assert f"lie between {format_number(counts['shift_low'], 2)} and " in said
    assert f"to 0 is {format_number(counts['shift'], 2)}." in said
