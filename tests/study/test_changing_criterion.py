"""Changing-criterion schedules and their test against enumeration by hand."""

from itertools import combinations, product

import numpy as np
import pytest
from rungwise.basis.errors import NotEnoughData
from rungwise.study import changing_criterion
from rungwise.study.changing_criterion import ChangingCriterion, combined_criterion_test, criterion_test


def every_schedule(n, phases, minimum):
    found = []
    for cuts in combinations(range(1, n), phases - 1):
        edges = [0, *cuts, n]
        lengths = np.diff(edges)
        if lengths.min() >= minimum:
            found.append(np.repeat(np.arange(phases), lengths).tolist())
    return found


@pytest.mark.parametrize(
    ("n", "criteria", "minimum"), [(12, (6, 4, 2), 2), (15, (5, 3), 4), (10, (6, 4, 2), 1)]
)
def test_the_schedules_are_all_there_are(n, criteria, minimum):
    design = ChangingCriterion(n, criteria, minimum, "random")
    slow = every_schedule(n, len(criteria) + 1, minimum)
    assert sorted(design.schedules().tolist()) == sorted(slow)
    assert design.n_assignments == len(slow)
    assert {row.index(1) + 1 for row in slow} == set(design.start_range)


def test_p_is_the_share_of_schedules_the_ratings_follow_as_closely():
    design = ChangingCriterion(14, (6, 4, 2), 3, "random")
    rng = np.random.default_rng(4)
    level = np.array([8, 6, 4, 2])
    for _ in range(20):
        drawn = design.draw(1, rng)[0]
        ratings = np.clip(level[drawn] + rng.integers(-1, 2, 14), 0, 10).astype(float)
        test = criterion_test(ratings, drawn, design=design)
        slow = every_schedule(14, 4, 3)
        late = [i for i in range(14) if all(row[i] > 0 for row in slow)]
        distance = [np.mean([abs(ratings[i] - level[row[i]]) for i in late]) for row in slow]
        own = np.mean([abs(ratings[i] - level[drawn[i]]) for i in late])
        assert test.value == pytest.approx(own)
        assert test.p_value == pytest.approx(np.mean(np.array(distance) <= own + 1e-9))
        assert test.n == len(late)


def test_p_is_right_under_no_effect():
    design = ChangingCriterion(14, (6, 4, 2), 3, "random")
    ratings = np.array([9, 8, 8, 7, 7, 6, 6, 5, 4, 4, 3, 3, 2, 2], dtype=float)
    p = [criterion_test(ratings, drawn, design=design).p_value for drawn in design.schedules()]
    for level in (0.05, 0.1, 0.25, 0.5):
        assert np.mean(np.array(p) <= level) <= level


def test_draws_reach_every_schedule_equally():
    design = ChangingCriterion(12, (6, 4, 2), 2, "random")
    _, counts = np.unique(design.draw(20_000, np.random.default_rng(1)), axis=0, return_counts=True)
    assert len(counts) == 35
    assert np.abs(counts / 20_000 - 1 / 35).max() < 0.006


def test_what_cannot_be_is_refused():
    design = ChangingCriterion(12, (6, 4, 2), 2, "random")
    with pytest.raises(ValueError, match="criteria must all differ"):
        ChangingCriterion(12, (6, 6), 2, "random")
    with pytest.raises(ValueError, match="two numbers or more"):
        ChangingCriterion(12, (6,), 2, "random")
    with pytest.raises(ValueError, match="does not"):
        criterion_test(np.ones(12), [0] + [1] * 11, design=design)
    with pytest.raises(ValueError, match="were not"):
        criterion_test(np.ones(12), np.zeros(12), design=ChangingCriterion(12, (6, 4), 2, "clinical"))
    drawn = design.schedules()[0]
    with pytest.raises(ValueError, match=r"one entry per occasion \(12\); got shapes \(2,\) and \(12,\)"):
        criterion_test([7, 8], [0] * 12, design=ChangingCriterion(12, (6, 4, 2), 2, "random"))
    with pytest.raises(NotEnoughData, match="at least two criteria"):
        criterion_test(np.full(12, np.nan), drawn, design=design)


def three_cases(design, rng, follow):
    level = np.array([8, *design.criteria])
    drawn = [design.draw(1, rng)[0] for _ in range(3)]
    noise = rng.integers(-1, 2, (3, design.n))
    ratings = [
        np.clip((level[one] if follow else 6) + e, 0, 10) for one, e in zip(drawn, noise, strict=True)
    ]
    return [one.astype(float) for one in ratings], drawn


@pytest.mark.parametrize("follow", [True, False])
def test_the_combined_p_is_that_of_all_combinations_of_schedules(follow):
    design = ChangingCriterion(11, (6, 4, 2), 2, "random")
    rng = np.random.default_rng(8)
    ratings, drawn = three_cases(design, rng, follow)
    ratings[1][9] = np.nan
    test = combined_criterion_test(ratings, drawn, design=design)
    slow = every_schedule(11, 4, 2)
    level = np.array([8, 6, 4, 2])
    late = [i for i in range(11) if all(row[i] > 0 for row in slow)]
    distances = [
        [np.nanmean([abs(values[i] - level[row[i]]) for i in late]) for row in slow] for values in ratings
    ]
    own = [
        np.nanmean([abs(values[i] - level[row[i]]) for i in late])
        for values, row in zip(ratings, drawn, strict=True)
    ]
    sums = np.array([np.mean(combination) for combination in product(*distances)])
    assert test.value == pytest.approx(np.mean(own))
    assert test.p_value == pytest.approx(np.mean(sums <= np.mean(own) + 1e-9), abs=1e-12)
    assert test.counts["assignments"] == len(slow) ** 3
    assert test.counts["smallest_p"] == 1 / len(slow) ** 3


def test_one_case_combined_is_that_case():
    design = ChangingCriterion(14, (6, 4, 2), 3, "random")
    ratings, drawn = three_cases(design, np.random.default_rng(2), True)
    alone = criterion_test(ratings[0], drawn[0], design=design)
    assert combined_criterion_test(ratings[:1], drawn[:1], design=design).p_value == alone.p_value


def test_where_combinations_are_too_many_some_are_drawn(monkeypatch):
    design = ChangingCriterion(14, (6, 4, 2), 3, "random")
    ratings, drawn = three_cases(design, np.random.default_rng(3), False)
    counted = combined_criterion_test(ratings, drawn, design=design)
    monkeypatch.setattr(changing_criterion, "MOST_IN_A_HALF", 1)
    with pytest.raises(
        ValueError, match=r"rng must be a numpy Generator: the [\d,]+ combinations .* got None"
    ):
        combined_criterion_test(ratings, drawn, design=design)
    sampled = combined_criterion_test(ratings, drawn, design=design, rng=np.random.default_rng(1))
    assert sampled.counts["draws"] == 9_999
    assert abs(sampled.p_value - counted.p_value) < 4 * sampled.counts["monte_carlo_error"]
    assert sampled.p_value != counted.p_value


def test_the_combined_test_keeps_its_level_without_an_effect():
    """Ratings that fall whatever is drawn: over all draws, p reaches a level no more often than it says."""
    design = ChangingCriterion(10, (6, 4, 2), 2, "random")
    fall = [np.linspace(9, 2, 10).round(), np.array([8, 8, 7, 7, 5, 5, 4, 3, 3, 2.0])]
    schedules = design.schedules()
    p = [
        combined_criterion_test(fall, [one, other], design=design).p_value
        for one in schedules
        for other in schedules
    ]
    for level in (0.05, 0.1, 0.25, 0.5):
        assert np.mean(np.array(p) <= level) <= level


def test_cases_have_no_test_together_where_one_has_none():
    design = ChangingCriterion(14, (6, 4, 2), 3, "random")
    ratings, drawn = three_cases(design, np.random.default_rng(3), True)
    with pytest.raises(NotEnoughData, match="at least two criteria"):
        combined_criterion_test([*ratings[:2], np.full(14, np.nan)], drawn, design=design)
    with pytest.raises(ValueError, match="schedules must be one per case"):
        combined_criterion_test(ratings, drawn[:2], design=design)
