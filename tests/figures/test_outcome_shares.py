import pytest
from rungwise.figures.outcome_shares import OutcomeShare, describe_outcome_shares, outcome_shares

SHOWN = OutcomeShare("Ratings fell", 6, 12, 0.5, 0.25, 0.75)
HIDDEN = OutcomeShare("Ratings rose", None, 12)
NONE = OutcomeShare("No clear change", 0, 12, 0.0, 0.0, 0.24)


def drawn(ax, kind):
    return [part for part in (*ax.patches, *ax.lines, *ax.texts) if part.get_gid() == kind]


@pytest.mark.parametrize("width", [7.0, 3.8])
def test_every_shown_outcome_has_a_bar_an_interval_and_its_number(width):
    ax = outcome_shares([SHOWN, NONE], width=width)
    assert [bar.get_width() for bar in drawn(ax, "share")] == [0.5, 0.0]
    assert [list(line.get_xdata()) for line in drawn(ax, "interval")] == [[0.25, 0.75], [0.0, 0.24]]
    texts = [text.get_text() for text in ax.texts]
    assert {"6 of 12", "0 of 12"} <= set(texts)
    named = texts if width < 5 else [label.get_text() for label in ax.get_yticklabels()]
    assert {SHOWN.words, NONE.words} <= set(named)


def test_a_hidden_number_has_no_bar_no_interval_and_no_place():
    ax = outcome_shares([SHOWN, HIDDEN])
    assert len(drawn(ax, "share")) == len(drawn(ax, "interval")) == 1
    (said,) = drawn(ax, "hidden")
    assert said.get_text() == "not shown"
    # The picture is the same whatever number is hidden.
    other = outcome_shares([SHOWN, OutcomeShare("Ratings rose", None, 12, 0.4, 0.2, 0.6)])
    assert [bar.get_width() for bar in drawn(other, "share")] == [0.5]
    assert len(drawn(other, "interval")) == 1


def test_the_words_say_what_is_hidden():
    assert describe_outcome_shares([SHOWN, HIDDEN, NONE]) == (
        "Share of the children judged, by outcome: Ratings fell 50% (6 of 12), Ratings rose not shown, "
        "No clear change 0% (0 of 12)."
    )


def test_nothing_to_draw_is_refused():
    with pytest.raises(ValueError, match="outcomes must hold at least one"):
        outcome_shares([])
