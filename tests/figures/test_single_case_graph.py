"""The graph shows every occasion once, phases apart, declines and gaps as what they are."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from rungwise.figures.single_case_graph import Projection, describe_graph, single_case_graph
from rungwise.figures.style import PALETTE
from rungwise.series.phase_series import PhaseSeries

LADDER = PhaseSeries(
    [8, None, 7, 9, 6, None, 5, 4, None, 3, 2, 2, 1],
    ["baseline"] * 4 + ["exposure"] * 6 + ["maintenance"] * 2 + ["follow_up"],
    [0, 3, 7, 10, 14, 17, 21, 24, 28, 31, 60, 75, 120],
    [False, True] + [False] * 6 + [True] + [False] * 4,
    label="rope net",
    floor=0,
    ceiling=10,
)


def lines(ax, name):
    return [line for line in ax.lines if line.get_gid() == name]


def points(ax, name):
    return [(float(x), float(y)) for line in lines(ax, name) for x, y in zip(*line.get_data(), strict=True)]


def texts(ax, name):
    return [text.get_text() for text in ax.texts if text.get_gid() == name]


class Answer:
    words = "fell, beyond the baseline's own course"


def test_every_rating_is_drawn_once_at_its_time():
    rated = ~np.isnan(LADDER.values)
    assert points(single_case_graph(LADDER), "path") == list(
        zip(LADDER.times[rated], LADDER.values[rated], strict=True)
    )


def test_paths_break_at_phases_declines_and_missing_occasions():
    paths = [line.get_xdata().tolist() for line in lines(single_case_graph(LADDER), "path")]
    assert paths == [[0], [7, 10], [14], [21, 24], [31], [60, 75], [120]]


def test_phases_are_marked_apart_without_color():
    faces = [
        (line.get_marker(), line.get_markerfacecolor()) for line in lines(single_case_graph(LADDER), "path")
    ]
    by_phase = [faces[1], faces[3], faces[5], faces[6]]
    assert len(set(by_phase)) == 4
    assert faces[0] == faces[1] == ("o", PALETTE["paper"])


def test_phase_lines_stand_halfway_and_phases_are_named():
    ax = single_case_graph(LADDER)
    assert [line.get_xdata()[0] for line in lines(ax, "phase line")] == [12, 45.5, 97.5]
    assert texts(ax, "phase label") == ["baseline", "exposure", "maintenance", "follow-up"]


def test_a_phase_that_comes_back_is_drawn_twice():
    series = PhaseSeries([7, 8, 4, 3, 6, 7], ["baseline"] * 2 + ["exposure"] * 2 + ["baseline"] * 2)
    ax = single_case_graph(series)
    assert texts(ax, "phase label") == ["baseline", "exposure", "baseline"]
    assert [line.get_xdata().tolist() for line in lines(ax, "path")] == [[1, 2], [3, 4], [5, 6]]


@pytest.mark.parametrize(("better", "beyond"), [("lower", True), ("higher", False)])
def test_declines_stand_in_a_row_beyond_the_worse_end(better, beyond):
    series = PhaseSeries([3, None, 5], ["baseline", "exposure", "exposure"], None, [False, True, False],
                         better, floor=0, ceiling=10)  # fmt: skip
    ax = single_case_graph(series)
    [(time, height)] = points(ax, "declined")
    assert time == 2
    assert height > 10 if beyond else height < 0
    assert [tick.get_text() for tick in ax.get_yticklabels()][-1] == "declined"
    assert ax.get_yticks()[-1] == height


def test_without_declines_there_is_no_row_for_them():
    ax = single_case_graph(PhaseSeries.from_phases([7, 8], [3, 2]))
    assert points(ax, "declined") == []
    assert "declined" not in [tick.get_text() for tick in ax.get_yticklabels()]


def test_missing_occasions_are_strokes_at_the_foot():
    assert [time for time, _ in points(single_case_graph(LADDER), "missing")] == [17]


def test_the_rating_axis_is_the_whole_scale_in_whole_numbers():
    ax = single_case_graph(LADDER, rating="Fear")
    assert [tick.get_text() for tick in ax.get_yticklabels()] == ["0", "2", "4", "6", "8", "10", "declined"]
    assert ax.get_ylabel() == "Fear (0 to 10)"
    assert max(ax.yaxis.get_minorticklocs()) <= 10


def test_without_a_stated_scale_the_axis_holds_the_data():
    ax = single_case_graph(PhaseSeries.from_phases([250.5, 260], [300, 410]))
    low, high = ax.get_ylim()
    assert low < 250.5
    assert high > 410


def test_a_constant_series_has_an_axis():
    low, high = single_case_graph(PhaseSeries.from_phases([4, 4], [4, 4, 4])).get_ylim()
    assert low < 4 < high


def test_a_series_of_declines_only_is_drawn():
    series = PhaseSeries([None] * 4, ["baseline"] * 2 + ["exposure"] * 2, None, [True] * 4)
    ax = single_case_graph(series, lines="theil_sen")
    assert len(points(ax, "declined")) == 4
    assert lines(ax, "phase summary") == []


def test_times_become_dates_when_the_first_day_is_known():
    ax = single_case_graph(LADDER, starts_on=date(2026, 11, 20))
    labels = [tick.get_text() for tick in ax.get_xticklabels()]
    assert labels == ["Dec 1\n2026", "Jan 1\n2027", "Feb 1", "Mar 1"]
    assert ax.get_xticks().tolist() == [11, 42, 73, 101]


def test_a_short_series_has_weekly_dates():
    ax = single_case_graph(LADDER.only("baseline", "exposure"), starts_on=date(2026, 3, 2))
    assert [tick.get_text() for tick in ax.get_xticklabels()] == [
        "Mar 2\n2026", "Mar 9", "Mar 16", "Mar 23", "Mar 30",
    ]  # fmt: skip


def test_occasion_numbers_and_days_are_named_as_such():
    assert single_case_graph(LADDER).get_xlabel() == "Day"
    assert single_case_graph(PhaseSeries.from_phases([7, 8], [3, 2])).get_xlabel() == "Occasion"


def test_median_lines_lie_at_the_median_rating_of_each_phase_from_end_to_end():
    declined = [False, False, False, True, False, False, False]
    series = PhaseSeries.from_phases([8, 9, 6, None], [7, 2, 5], declined=declined)
    ax = single_case_graph(series, lines="median")
    assert points(ax, "phase summary") == [(1, 8), (4, 8), (5, 5), (7, 5)]
    words = [text.get_text() for text in ax.get_legend().get_texts()]
    assert words.count("median of the phase") == 1
    assert single_case_graph(series).get_legend() is None


def test_the_legend_is_no_wider_than_the_axis_leaves_it():
    series = PhaseSeries.from_phases([8, 7, None, 9, 7], [7, None, 6, 5, 4, 3, 4, 2], floor=0, ceiling=10)
    for kind in (None, "median", "theil_sen"):
        figure = single_case_graph(series, lines=kind, projection=True).get_figure()
        figure.draw_without_rendering()
        box = figure.axes[0].get_legend().get_window_extent()
        assert box.width < 0.86 * figure.bbox.width


def test_theil_sen_lines_run_through_each_phase():
    series = PhaseSeries.from_phases([8, 7, 6], [6, 6, 6, 6])
    ax = single_case_graph(series, lines="theil_sen")
    assert np.array(points(ax, "phase summary")) == pytest.approx(
        np.array([(1, 8), (3, 6), (4, 6), (7, 6)])
    )
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["Theil–Sen line of the phase"]


def test_a_phase_too_short_for_a_line_has_none():
    ax = single_case_graph(PhaseSeries.from_phases([8], [6, 5, 4]), lines="theil_sen")
    assert len(lines(ax, "phase summary")) == 1


def test_the_projection_is_drawn_as_given_and_does_not_change_the_scale():
    times = np.array([0.0, 31.0])
    projection = Projection(times, np.array([8.0, 7.0]), np.array([7.0, -40.0]), np.array([9.0, 60.0]))
    ax = single_case_graph(LADDER, projection=projection)
    assert points(ax, "projection") == [(0, 8), (31, 7)]
    assert ax.get_ylim() == single_case_graph(LADDER).get_ylim()
    assert [text.get_text() for text in ax.get_legend().get_texts()][:2] == [
        "baseline's course, carried on", "its 95% band",
    ]  # fmt: skip


def test_the_band_ends_where_the_scale_ends():
    times = np.array([0.0, 31.0])
    projection = Projection(times, np.array([8.0, -3.0]), np.array([7.0, -40.0]), np.array([9.0, 60.0]))
    ax = single_case_graph(LADDER, projection=projection)
    [band] = [artist for artist in ax.collections if artist.get_gid() == "projection band"]
    heights = np.concatenate([path.vertices[:, 1] for path in band.get_paths()])
    assert (heights.min(), heights.max()) == (0, 10)
    assert np.isnan(points(ax, "projection")[1][1])


def test_the_projection_is_that_of_the_level_and_slope_model():
    from rungwise.single_case.level import level_and_slope_change

    series = PhaseSeries.from_phases([7, 8, 7, 8, 7], [6, 6, 5, 5, 4, 3, 3, 2, 2, 1], floor=0, ceiling=20)
    ax = single_case_graph(series, projection=True)
    drawn = points(ax, "projection")
    assert (drawn[0][0], drawn[-1][0]) == (1, 15)
    mean, _, _ = level_and_slope_change(series).projection([time for time, _ in drawn])
    assert [height for _, height in drawn] == pytest.approx(list(mean))


def test_a_series_without_exposure_has_no_projection():
    ax = single_case_graph(LADDER.only("baseline"), projection=True)
    assert lines(ax, "projection") == []


def test_a_projection_that_cannot_be_made_is_not_drawn():
    nothing = np.array([np.nan, np.nan])
    ax = single_case_graph(LADDER, projection=Projection(np.array([0.0, 31.0]), nothing, nothing, nothing))
    assert lines(ax, "projection") == []


def test_the_title_says_the_verdict():
    assert single_case_graph(LADDER, answer=Answer).get_title(loc="left") == (
        "rope net: fell, beyond the baseline's own course"
    )
    assert single_case_graph(LADDER, title="").get_title(loc="left") == ""


def test_labels_of_narrow_phases_take_a_second_row_instead_of_overlapping():
    ax = single_case_graph(LADDER, width=3.8)
    figure = ax.get_figure()
    figure.draw_without_rendering()
    boxes = [text.get_window_extent() for text in ax.texts if text.get_gid() == "phase label"]
    for i, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[i + 1 :])


def test_it_draws_on_axes_it_is_given():
    ax = single_case_graph(LADDER)
    ax.clear()
    assert single_case_graph(LADDER, ax) is ax


@pytest.mark.parametrize(
    ("keywords", "message"),
    [
        ({"lines": "mean"}, r"lines must be one of None, 'median', 'theil_sen'; got 'mean'\."),
    ],
)
def test_a_wrong_argument_is_refused(keywords, message):
    with pytest.raises(ValueError, match=message):
        single_case_graph(LADDER, **keywords)


def test_a_series_without_occasions_is_refused():
    with pytest.raises(ValueError, match="series must hold at least one occasion; got none"):
        single_case_graph(PhaseSeries([], []))


def test_the_description_counts_everything_that_is_drawn():
    assert describe_graph(LADDER, rating="fear", answer=Answer) == (
        "Graph of fear by day. Verdict: fell, beyond the baseline's own course. "
        "Baseline: 4 occasions, fear between 7 and 9, first 8, last 9, 1 declined. "
        "Exposure: 6 occasions, fear between 3 and 6, first 6, last 3, 1 declined, 1 missing. "
        "Maintenance: 2 occasions, fear between 2 and 2, first 2, last 2. "
        "Follow-up: 1 occasion, fear between 1 and 1, first 1, last 1."
    )
