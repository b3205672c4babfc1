import pandas as pd
import pytest
from rungwise.basis.funnel_limits import funnel_limits
from rungwise.figures.funnel import describe_funnel, funnel


@pytest.fixture
def groups():
    table = pd.DataFrame({"group": ["Cliff", "Harbor"], "judged": [40, 80], "fell": [8, 64]})
    limits = funnel_limits(table["judged"], 72 / 120)
    return table.assign(
        share=table["fell"] / table["judged"], outer_low=limits.outer_low, outer_high=limits.outer_high
    )


def drawn(ax, kind):
    return [line for line in ax.lines if line.get_gid() == kind]


def test_every_group_stands_at_its_size_and_share_within_four_limits(groups):
    ax = funnel(groups)
    points = [(line.get_xdata()[0], line.get_ydata()[0]) for line in drawn(ax, "group")]
    assert points == [(40, 0.2), (80, 0.8)]
    assert [text.get_text() for text in ax.texts] == ["Cliff", "Harbor"]
    assert len(drawn(ax, "limit")) == 4
    assert drawn(ax, "center")[0].get_ydata()[0] == pytest.approx(0.6)
    sizes, low = drawn(ax, "limit")[2].get_data()
    assert dict(zip(sizes, low, strict=True))[40] == pytest.approx(groups["outer_low"][0])


def test_the_words_name_the_groups_beyond_the_limits(groups):
    said = describe_funnel(groups)
    assert "Cliff 20% of 40, Harbor 80% of 80" in said
    assert said.endswith("Beyond the 99.8% limits: Cliff, Harbor.")
