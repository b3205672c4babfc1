"""Power curves: what is drawn is what was simulated."""

import numpy as np
import pandas as pd
import pytest
from rungwise.figures.power_curves import describe_power, power_curves


@pytest.fixture
def curve():
    return pd.DataFrame(
        {
            "children": [3, 3, 4, 4],
            "occasions": [20, 24, 20, 24],
            "power": [0.5, 0.61, np.nan, 0.83],
            "monte_carlo_error": [0.02, 0.02, np.nan, 0.01],
        }
    )


def test_each_number_of_children_has_a_line_with_its_error(curve):
    ax = power_curves(curve)
    three, four = ax.containers
    assert three.lines[0].get_xydata().tolist() == [[20, 0.5], [24, 0.61]]
    assert four.lines[0].get_xydata().tolist() == [[24, 0.83]]
    ends = three.lines[2][0].get_segments()[0][:, 1]
    assert ends.tolist() == pytest.approx([0.46, 0.54])
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["3 children", "4 children"]
    assert three.lines[0].get_marker() != four.lines[0].get_marker()


def test_what_does_not_fit_is_not_drawn_and_is_not_named(curve):
    assert describe_power(curve) == (
        "Power by planned occasions. 3 children: .50 at 20, .61 at 24. 4 children: .83 at 24."
    )
    with pytest.raises(ValueError, match="whose power was simulated"):
        power_curves(curve.assign(power=np.nan))
