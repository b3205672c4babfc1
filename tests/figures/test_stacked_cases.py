"""Stacked cases: one time axis, every rating, phase lines that lead from case to case."""

import numpy as np
import pytest
from rungwise.figures.stacked_cases import describe_cases, stacked_cases
from rungwise.figures.style import picture_bytes
from rungwise.series.phase_series import PhaseSeries


def case(start, label, values=(7, 8, 7, 6, 7, 5, 4, 3, 4, 3), declined=()):
    phases = ["baseline"] * (start - 1) + ["exposure"] * (len(values) - start + 1)
    return PhaseSeries(
        values, phases, None, [i in declined for i in range(len(values))], label=label, floor=0, ceiling=10
    )


@pytest.fixture
def cases():
    missing = (7, None, 7, 6, 7, 8, 5, 3)
    return [case(4, "A"), case(6, "B", declined=(2,)), case(8, "C", missing)]


def lines(ax, gid):
    return [line for line in ax.lines if line.get_gid() == gid]


def test_every_rating_is_drawn_in_the_panel_of_its_case(cases):
    figure = stacked_cases(cases).get_figure(root=True)
    assert len(figure.axes) == 3
    for ax, series in zip(figure.axes, cases, strict=True):
        drawn = np.concatenate([line.get_xydata() for line in lines(ax, "path")])
        wanted = np.column_stack([series.times, series.values])[~np.isnan(series.values)]
        np.testing.assert_array_equal(drawn[np.argsort(drawn[:, 0])], wanted)
        assert [text.get_text() for text in ax.texts if text.get_gid() == "case"] == [series.label]


def test_panels_share_limits_and_only_the_last_names_the_axis(cases):
    axes = stacked_cases(cases, time="Week").get_figure(root=True).axes
    assert len({ax.get_xlim() for ax in axes}) == 1
    assert [ax.get_xlabel() for ax in axes] == ["", "", "Week"]
    assert [sum(text.get_gid() == "phase label" for text in ax.texts) for ax in axes] == [2, 0, 0]


def test_the_line_at_the_start_leads_from_panel_to_panel(cases):
    figure = stacked_cases(cases).get_figure(root=True)
    joined = [artist for artist in figure.artists if artist.get_gid() == "joined start"]
    assert len(joined) == 2
    for line, above, below in zip(joined, figure.axes, figure.axes[1:], strict=False):
        ends = figure.transFigure.transform(line.get_xydata())
        (upper,), (lower,) = lines(above, "phase line"), lines(below, "phase line")
        top = above.transAxes.transform((0, 0))[1]
        foot = below.transAxes.transform((0, 1))[1]
        assert ends[0] == pytest.approx([above.transData.transform((upper.get_xdata()[0], 0))[0], top])
        assert ends[-1] == pytest.approx([below.transData.transform((lower.get_xdata()[0], 0))[0], foot])


def test_one_legend_explains_what_is_missing_anywhere(cases):
    figure = stacked_cases(cases).get_figure(root=True)
    assert [text.get_text() for text in figure.legends[0].get_texts()] == ["planned, not recorded"]
    assert not stacked_cases(cases[:2]).get_figure(root=True).legends
    assert all(ax.get_legend() is None for ax in figure.axes)


def test_the_same_cases_give_the_same_picture(cases):
    pictures = {picture_bytes(stacked_cases(cases).get_figure(root=True)) for _ in range(2)}
    assert len(pictures) == 1


def test_the_words_name_every_case(cases):
    text = describe_cases(cases)
    assert all(f" {label}: Graph of fear" in text for label in "ABC")
    assert "1 declined" in text
    assert "1 missing" in text


def test_no_case_is_refused():
    with pytest.raises(ValueError, match="one or more; got none"):
        stacked_cases([])


def test_many_cases_share_the_height_of_a_page():
    few = stacked_cases([case(4, str(i)) for i in range(2)]).get_figure(root=True)
    many = stacked_cases([case(4, str(i)) for i in range(6)]).get_figure(root=True)
    assert few.axes[0].get_position().height * few.get_figheight() == pytest.approx(1.7)
    assert many.get_figheight() < 8.5
