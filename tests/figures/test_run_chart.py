import math

import pandas as pd
import pytest
from rungwise.figures.run_chart import describe_run_chart, run_chart


def table(shares, judged, center=math.nan):
    n = len(shares)
    return pd.DataFrame(
        {
            "quarter": [f"202{i // 4}Q{i % 4 + 1}" for i in range(n)],
            "judged": judged,
            "share": shares,
            "ci_low": [share - 0.2 for share in shares],
            "ci_high": [share + 0.2 for share in shares],
            "center": center,
            "limit_low": center - 0.3,
            "limit_high": center + 0.3,
        }
    )


def drawn(ax, kind):
    return [line for line in ax.lines if line.get_gid() == kind]


def test_every_quarter_with_children_has_a_mark_an_interval_and_its_number():
    ax = run_chart(table([0.5, math.nan, 0.75], [4, 0, 8]))
    assert [line.get_ydata()[0] for line in drawn(ax, "share")] == [0.5, 0.75]
    assert [list(line.get_ydata()) for line in drawn(ax, "interval")] == [[0.3, 0.7], [0.55, 0.95]]
    texts = [text.get_text() for text in ax.texts]
    assert texts == ["4", "none judged", "8"]
    assert [label.get_text() for label in ax.get_xticklabels()] == ["2020Q1", "2020Q2", "2020Q3"]


def test_a_share_that_is_not_shown_is_not_called_none_judged():
    for judged in (6, math.nan):
        hidden = table([0.5, math.nan], [4, judged])
        assert [text.get_text() for text in run_chart(hidden).texts] == ["4", "not shown"]
        assert describe_run_chart(hidden).endswith("2020Q1 50% of 4, 2020Q2 not shown.")


def test_a_gap_is_not_bridged():
    (run,) = drawn(run_chart(table([0.5, math.nan, 0.75], [4, 0, 8])), "run")
    assert math.isnan(run.get_ydata()[1])


@pytest.mark.parametrize(("center", "lines"), [(math.nan, 0), (0.5, 2)])
def test_limits_are_drawn_only_where_there_are_some(center, lines):
    assert len(drawn(run_chart(table([0.5] * 9, [9] * 9, center)), "limit")) == lines


def test_the_words_name_every_quarter():
    assert describe_run_chart(table([1.0, math.nan], [3, 0])) == (
        "Share that fell, quarter by quarter: 2020Q1 100% of 3, 2020Q2 none judged."
    )


def test_many_quarters_leave_out_the_numbers_and_on_a_phone_every_second_name():
    ax = run_chart(table([0.5] * 11 + [math.nan], [4] * 11 + [0]), width=3.8)
    assert not ax.texts
    names = [label.get_text() for label in ax.get_xticklabels()]
    assert names == ["2020Q2", "2020Q4", "2021Q2", "2021Q4", "2022Q2", "2022Q4"]
    wide = run_chart(table([0.5] * 12, [4] * 12))
    assert len(wide.get_xticklabels()) == 12


def test_a_median_is_drawn_where_there_is_one():
    history = table([0.5, 0.6, 0.7], [4, 4, 4])
    assert not drawn(run_chart(history), "median")
    (line,) = drawn(run_chart(history.assign(median=0.6)), "median")
    assert list(line.get_ydata()) == [0.6] * 3
