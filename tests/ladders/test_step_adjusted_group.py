"""Fear of several children with difficulty taken into account: one worth of a step, a course each."""

import numpy as np
import pytest
from rungwise.ladders.step_adjusted_group import step_adjusted_group

# Steps practiced over twelve visits: up and down enough to be told apart from time.
STEPS = (3, 2, 4, 3, 5, 2, 4, 6, 3, 5, 6, 4)
STEADILY = (1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6)


def practice(records, steps, *, child="C1"):
    """Write one practice trial a week."""
    records.exposure_from(0, child)
    records.plan(4, child=child)
    for week, step in enumerate(steps):
        records.trial(7 * week, step, 4 + week % 3, child=child)


def test_children_together_share_the_worth_of_a_step(records):
    for number, (per_week, start) in enumerate([(-0.5, 8), (-0.3, 7), (-0.1, 6), (-0.2, 7)]):
        rng = np.random.default_rng(number)
        child = f"C{number}"
        records.exposure_from(0, child)
        records.plan(4, child=child)
        for week, step in enumerate(STEPS):
            fear = start + (step - 4) + per_week * week + rng.normal(0, 0.2)
            records.trial(7 * week, step, round(min(max(fear, 0), 10), 3), child=child)
    practice(records, STEPS[:3], child="C9")
    group = step_adjusted_group(records.read())
    assert group.refused == ""
    assert group.programs == tuple((f"C{number}", "wall") for number in range(4))
    assert [row[:2] for row in group.left_out] == [("C9", "wall")]
    assert group.per_week.value == pytest.approx(-0.275, abs=0.05)
    assert group.per_week.ci_low < -0.275 < group.per_week.ci_high
    assert group.per_difficulty.value == pytest.approx(1, abs=0.1)
    assert 0.05 < group.spread < 0.4
    assert np.isnan(group.per_week.p_value)


def test_children_together_are_refused_where_all_climb_steadily_or_only_one_is_there(records):
    practice(records, STEADILY)
    assert step_adjusted_group(records.read()).refused == (
        "At least two programs are needed; 1 program entered."
    )
    practice(records, STEADILY, child="C2")
    group = step_adjusted_group(records.read())
    assert "too closely to tell apart" in group.refused
    assert group.too_close == 2
