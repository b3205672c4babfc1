import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from rungwise.figures.individuals_chart import describe_individuals_chart, individuals_chart

NAN = float("nan")


@pytest.fixture
def history():
    means = [0.7, NAN, 0.75, 0.97]
    known = ~np.isnan(means)
    return pd.DataFrame(
        {"quarter": ["2025Q4", "2026Q1", "2026Q2", "2026Q3"], "judged": [5, 0, 7, 9]}
    ).assign(
        mean_nap=means,
        nap_center=np.where(known, 0.8, NAN),
        nap_low=np.where(known, 0.65, NAN),
        nap_high=np.where(known, 0.95, NAN),
    )


def test_each_quarter_with_children_has_a_mark_and_its_number(history):
    ax = individuals_chart(history)
    marks = [line for line in ax.lines if line.get_gid() == "mean"]
    assert [(mark.get_xdata()[0], mark.get_ydata()[0]) for mark in marks] == [
        (0, 0.7),
        (2, 0.75),
        (3, 0.97),
    ]
    # A quarter beyond the limits differs in shape, so that it is seen without color.
    assert [mark.get_marker() for mark in marks] == ["o", "o", "D"]
    assert [text.get_text() for text in ax.texts] == ["5", "7", "9"]
    limits = [line for line in ax.lines if line.get_gid() == "limit"]
    assert len(limits) == 2
    plt.close(ax.figure)


def test_the_words_name_what_lies_beyond(history):
    said = describe_individuals_chart(history)
    assert "2026Q1" not in said
    assert said.endswith("center .80, limits .65 to .95. Beyond them: 2026Q3.")
    assert describe_individuals_chart(history.head(3)).endswith("None beyond them.")
