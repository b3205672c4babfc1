"""Fear with difficulty taken into account: recovered where it can be told, refused where it cannot."""

import numpy as np
import pytest
from rungwise.ladders.exposure_trials import FEWEST_DAYS, NO_PROBE, ONE_DIFFICULTY, programs_in_exposure
from rungwise.ladders.ordinal_fear import ordinal_step_adjusted_fear
from rungwise.ladders.step_adjusted import OFF_SCALE, step_adjusted_fear

JITTER = (0, 1, -1, 1, 0, -1, 1, 0, -1, 0, 1, -1)
# Steps practiced over twelve visits: up and down enough to be told apart from time.
STEPS = (3, 2, 4, 3, 5, 2, 4, 6, 3, 5, 6, 4)


def climb(records, *, per_week=-0.5, per_step=1.0, start=8.0, steps=STEPS, child="C1", probe=4):
    """Write one practice trial a week whose rating follows step and week to a thousandth."""
    records.exposure_from(0, child)
    if probe is not None:
        records.plan(probe, child=child)
    for week, step in enumerate(steps):
        fear = start + per_step * (step - 4) + per_week * week + 0.001 * JITTER[week]
        records.trial(7 * week, step, round(fear, 4), child=child)


def test_an_exact_fit_says_why_it_has_no_interval(records):
    records.exposure_from(0)
    records.plan(4)
    for week, step in enumerate(STEPS):
        records.trial(7 * week, step, step)
    found = only(records)
    assert found.refused
    assert np.isnan(found.per_week.value)
    assert found.per_week.cautions == (found.refused,)


def only(records, function=step_adjusted_fear, **keywords):
    (found,) = function(records.read(), **keywords)
    return found


def test_an_exact_course_is_recovered(records):
    records.ladder(6)
    climb(records, start=8)
    found = only(records)
    assert found.refused == ""
    assert found.per_week.value == pytest.approx(-0.5, abs=2e-3)
    assert found.per_difficulty.value == pytest.approx(1.0, abs=2e-3)
    assert found.per_week.favors == "improvement"
    assert np.isnan(found.per_week.p_value)
    np.testing.assert_allclose(found.expected.value, 8 - 0.5 * np.arange(12), atol=5e-3)
    assert str(found.expected.day[0]) == "2026-01-01"
    assert (found.days, found.trials, found.declined) == (12, 12, 0)


def test_it_is_least_squares_with_the_correlation_of_neighbors(records, rng_ratings):
    climb_with(records, rng_ratings)
    found = only(records)
    week = np.arange(len(STEPS), dtype=float)
    design = np.column_stack([np.ones(len(week)), np.array(STEPS) - 4.0, week])
    # At any correlation of neighbors the estimate is that of ordinary least squares on whitened rows, so
    # the average over correlations lies within their range.
    slopes = []
    for phi in np.linspace(0, 0.98, 50):
        gaps = np.abs(np.subtract.outer(week, week)) * 7
        inverse = np.linalg.inv(phi**gaps if phi else np.eye(len(week)))
        left = design.T @ inverse
        slopes.append(np.linalg.solve(left @ design, left @ rng_ratings)[2])
    assert min(slopes) - 1e-9 <= found.per_week.value <= max(slopes) + 1e-9
    assert found.per_week.ci_low < found.per_week.value < found.per_week.ci_high


@pytest.fixture
def rng_ratings():
    rng = np.random.default_rng(5)
    fear = 6 + 0.7 * (np.array(STEPS) - 4.0) - 0.2 * np.arange(len(STEPS))
    return np.clip(np.rint(fear + rng.normal(0, 0.8, len(STEPS))), 0, 10)


def climb_with(records, ratings):
    records.ladder(6)
    records.exposure_from(0)
    records.plan(4)
    for week, (step, rating) in enumerate(zip(STEPS, ratings, strict=True)):
        records.trial(7 * week, step, int(rating))


def test_step_and_time_together_are_refused_and_said_plainly(records):
    climb(records, steps=(1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6))
    for function in (step_adjusted_fear, ordinal_step_adjusted_fear):
        found = only(records, function)
        assert "too closely to tell apart (correlation .99 over 12 trials" in found.refused
        assert np.isnan(found.per_week.value)
        assert found.refused in found.per_week.cautions


def test_going_down_in_step_with_time_is_refused_too(records):
    climb(records, steps=(6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1), per_week=0, start=7)
    assert "correlation −.99" in only(records).refused


def test_one_difficulty_and_few_days_and_no_plan_are_refused(records):
    climb(records, steps=(4,) * 8)
    climb(records, steps=STEPS[: FEWEST_DAYS - 1], child="C2")
    climb(records, probe=None, child="C3", start=8)
    by_child = {one.child_id: one for one in step_adjusted_fear(records.read())}
    assert by_child["C1"].refused == ONE_DIFFICULTY
    assert by_child["C2"].refused == "Rated trials on 5 days; at least 6 days are needed."
    assert by_child["C3"].refused == NO_PROBE


def test_recorded_difficulty_counts_and_not_the_step_s_number(records):
    records.tables["ladders"] = ["ladder_id,step,activity,difficulty"]
    records.tables["ladders"] += [f"wall,{step},rung,{step**2 / 4}" for step in range(1, 7)]
    records.exposure_from(0)
    records.plan(4)
    for week, step in enumerate(STEPS):
        records.trial(
            7 * week, step, round(5 + 0.5 * (step**2 / 4 - 4) - 0.1 * week + 0.001 * JITTER[week], 4)
        )
    found = only(records)
    assert found.per_difficulty.value == pytest.approx(0.5, abs=2e-3)
    assert found.per_week.value == pytest.approx(-0.1, abs=2e-3)


def test_trials_before_exposure_do_not_enter(records):
    climb(records, start=8)
    records.tables["phases"] = ["child_id,ladder_id,starts_on,phase", "C1,,2026-01-15,exposure"]
    assert only(records).days == 10


def test_declines_are_counted_and_set_beside_at_the_worst_end(records):
    climb(records, start=8)
    for week in (0, 1, 2):
        records.trial(7 * week, 6, "declined", number=2)
    found = only(records)
    assert found.declined == 3
    assert any(
        "declined" in caution and caution.endswith("beside it.") for caution in found.per_week.cautions
    )
    assert found.with_declines.n == found.per_week.n + 3
    # Early declines at 10 lie above the line through 8 + 2 − week/2 by less at first and more later.
    assert found.with_declines.value != found.per_week.value
    climb(records, child="C2", start=8)
    second = next(one for one in step_adjusted_fear(records.read()) if one.child_id == "C2")
    assert second.with_declines is None


def test_a_line_off_the_scale_is_said(records):
    climb(records, per_week=-0.5, start=4)
    records.tables["observations"] = [row for row in records.tables["observations"] if ",-" not in row]
    assert OFF_SCALE in only(records).per_week.cautions


def test_several_trials_of_a_day_stand_at_times_of_their_own(records):
    records.exposure_from(0)
    records.plan(4)
    for week in range(8):
        for number, step in enumerate((4, 3, 5), start=1):
            records.trial(7 * week, step, 3 + step - 4, number=number)
    (program,) = programs_in_exposure(records.read(), None, ("practice",))
    used = program.rated
    np.testing.assert_allclose(used.week[:4] * 7, [0, 1 / 3, 2 / 3, 7])
    assert used.difficulty[:3].tolist() == [0, -1, 1]
    assert used.rating[:3].tolist() == [3, 2, 4]
    days, difficulty, rating = used.daily()
    assert days.tolist() == [7 * week for week in range(8)]
    assert difficulty.tolist() == [0] * 8
    assert rating.tolist() == [3] * 8


def test_the_order_of_ratings_agrees_in_direction_and_takes_declines(records, rng_ratings):
    climb_with(records, rng_ratings)
    alone = only(records, ordinal_step_adjusted_fear)
    assert alone.refused == ""
    assert alone.per_week.value < 0
    assert alone.per_week.favors == "improvement"
    assert np.isnan([alone.per_week.ci_low, alone.per_week.p_value]).all()
    assert 0 <= alone.calm_first < alone.calm_last <= 1
    for week in (9, 10, 11):
        records.trial(7 * week, 4, "declined", number=2)
    with_late_declines = only(records, ordinal_step_adjusted_fear)
    assert with_late_declines.per_week.n == alone.per_week.n + 3
    assert with_late_declines.per_week.value > alone.per_week.value


def test_the_ordinal_chances_are_those_of_the_model(records, rng_ratings):
    from scipy.optimize import minimize

    climb_with(records, rng_ratings)
    found = only(records, ordinal_step_adjusted_fear)
    levels, codes = np.unique(rng_ratings, return_inverse=True)
    design = np.column_stack([np.array(STEPS) - 4.0, np.arange(len(STEPS))])

    def minus_log_likelihood(parameters):
        cuts = np.cumsum([parameters[2], *np.exp(parameters[3:])])
        cuts = np.concatenate([[-np.inf], cuts, [np.inf]])
        line = design @ parameters[:2]
        above = 1 / (1 + np.exp(-(cuts[codes + 1] - line)))
        return -np.log(above - 1 / (1 + np.exp(-(cuts[codes] - line)))).sum()

    with np.errstate(over="ignore"):
        best = minimize(minus_log_likelihood, [0.5, -0.1, -3, *[0.0] * (len(levels) - 2)], method="BFGS")
    assert found.per_week.value == pytest.approx(best.x[1], abs=1e-3)
    cuts = np.cumsum([best.x[2], *np.exp(best.x[3:])])
    cut = cuts[(levels <= 3).sum() - 1]
    expected = [1 / (1 + np.exp(-(cut - best.x[1] * week))) for week in (0, 11)]
    np.testing.assert_allclose([found.calm_first, found.calm_last], expected, atol=1e-3)


def test_a_wrong_confidence_names_the_argument(records):
    climb(records)
    with pytest.raises(ValueError, match="confidence must be a number between 0 and 1"):
        step_adjusted_fear(records.read(), confidence=95)


def test_weeks_that_resemble_each_other_widen_the_interval_as_the_days_alone_would(records):
    """With probes at one difficulty only on most days, the course is that of the daily ratings."""
    from rungwise.models.gls import fit_ar1

    records.exposure_from(0)
    records.plan(4)
    fear = np.array([7, 8, 8, 7, 6, 6, 7, 5, 4, 5, 4, 3])
    for week, rating in enumerate(fear):
        records.trial(7 * week, 4, rating, kind="probe", number=1)
        # The same two trials each day tell exactly what a step is worth, and nothing of the course.
        records.trial(7 * week, 3, rating - 1, number=2)
        records.trial(7 * week, 5, rating + 1 + (0.001 if week % 2 else 0), number=3)
    found = only(records)
    week = np.arange(12.0)
    alone = fit_ar1(fear, np.column_stack([np.ones(12), week]), week).contrast([0.0, 1.0])
    low, high = alone.limits(0.95)
    assert found.per_week.value == pytest.approx(alone.value[0], abs=0.01)
    assert found.per_week.ci_low == pytest.approx(low[0], abs=0.02)
    assert found.per_week.ci_high == pytest.approx(high[0], abs=0.02)


def test_not_knowing_the_worth_of_a_step_widens_the_band_where_steps_differ(records, rng_ratings):
    climb_with(records, rng_ratings)
    found = only(records)
    worth = found.per_difficulty
    assert worth.ci_high - worth.ci_low > 0.1
    from rungwise.models.gls import fit_ar1

    week = np.arange(len(STEPS), dtype=float)
    adjusted = rng_ratings - worth.value * (np.array(STEPS) - 4.0)
    known = fit_ar1(adjusted, np.column_stack([np.ones(len(week)), week]), week).contrast([0.0, 1.0])
    low, high = known.limits(0.95)
    assert found.per_week.value == pytest.approx(known.value[0], abs=1e-6)
    assert found.per_week.ci_high - found.per_week.ci_low > 1.02 * (high[0] - low[0])
