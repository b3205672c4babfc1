"""The simulated practice keeps its promises at any size."""

from collections import Counter
from datetime import date, timedelta

import numpy as np
import pytest
from rungwise.simulate.practice import simulate_practice
from rungwise.simulate.scenarios import SLOTS, WINDOWS

QUARTER_ENDS = date(2026, 9, 30)


def test_the_scenarios_of_sixty_children():
    assert sum(count for _, _, count in SLOTS) == 60
    practice = simulate_practice(np.random.default_rng(3), 60)
    expected = Counter()
    for scenario, _, count in SLOTS:
        expected[scenario] += count
    assert Counter(kid.scenario for kid in practice.children) == expected


def test_a_large_practice_has_the_same_mix():
    practice = simulate_practice(np.random.default_rng(3), 600, level=1)
    expected = Counter()
    for scenario, _, count in SLOTS:
        expected[scenario] += 10 * count
    assert Counter(kid.scenario for kid in practice.children) == expected


def test_the_same_state_gives_the_same_practice():
    first, again = (simulate_practice(np.random.default_rng(5), 60) for _ in range(2))
    assert first.tables == again.tables
    assert first.truth == again.truth
    assert first.tables != simulate_practice(np.random.default_rng(6), 60).tables


def test_exposure_starts_within_the_window_of_the_scenario():
    practice = simulate_practice(np.random.default_rng(4), 60, level=1)
    starts = sorted(kid.programs[0].starts["exposure"] for kid in practice.children if kid.programs)
    low, high = WINDOWS["spring"]
    spring = [day for day in starts if timedelta(low - 7) <= day - QUARTER_ENDS <= timedelta(high + 7)]
    # 31 children of the list start then; a week more or less may pull in or push out a neighbor.
    assert 29 <= len(spring) <= 34


def test_nobody_is_seen_over_the_turn_of_the_year():
    practice = simulate_practice(np.random.default_rng(4), 120, level=1)
    planned = [
        day
        for kid in practice.children
        for program in kid.programs
        for day, phase in zip(program.days, program.phases, strict=True)
        if phase in ("baseline", "exposure")
    ]
    # A visit moved by a day may touch the edge of the closed weeks.
    assert not [day for day in planned if (day.month, day.day) >= (12, 22) or (day.month, day.day) < (1, 3)]


def test_days_rise_and_no_ladder_has_two_probes_on_one_day():
    practice = simulate_practice(np.random.default_rng(9), 240, level=1)
    for kid in practice.children:
        for program in kid.programs:
            assert list(program.days) == sorted(set(program.days)), kid.record["child_id"]


def test_ladders_probed_on_one_day_share_its_mood():
    practice = simulate_practice(np.random.default_rng(2), 3000, level=1)
    pairs = []
    for kid in practice.children:
        if len(kid.programs) == 2 and kid.scenario.effect == "none":
            first, second = (
                program.latent[: sum(phase == "baseline" for phase in program.phases)]
                for program in kid.programs
            )
            n = min(len(first), len(second))
            pairs.append(np.column_stack([first[:n] - first[:n].mean(), second[:n] - second[:n].mean()]))
    deviations = np.vstack(pairs)
    # Shared variance .36 of about .36 + 1.0; children and days are few, hence the wide bounds.
    assert 0.1 < np.corrcoef(deviations.T)[0, 1] < 0.45


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"children": 0}, "children must be at least 1; got 0."),
        (
            {"recorded_until": date(2026, 9, 1)},
            "recorded_until must not lie before quarter_ends (2026-09-30); got 2026-09-01.",
        ),
    ],
)
def test_a_wrong_argument_is_named(wrong, message):
    with pytest.raises(ValueError) as caught:
        simulate_practice(np.random.default_rng(1), **wrong)
    assert str(caught.value) == message
