"""The fear thermometer bears the child's scale, whatever it is."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from rungwise.reports.sheet_thermometer import MOST_NUMBERS, numbers_on, thermometer


def drawn(low, high, **size):
    return thermometer(low, high, ends=("none", "most"), **{"width": 40, "height": 60, **size})


def written(svg):
    found = re.findall(
        r'<text x="[\d.]+" y="([\d.]+)" font-size="([\d.]+)" font-weight="\d+">([^<]+)</text>', svg
    )
    return [(float(y), float(size), float(number)) for y, size, number in found]


@pytest.mark.parametrize(
    ("low", "high", "numbers"),
    [
        (0, 10, list(range(11))),
        (0, 100, list(range(0, 101, 10))),
        (1, 5, [1, 2, 3, 4, 5]),
        (0, 4, [0, 1, 2, 3, 4]),
        (0, 2.5, [0, 0.5, 1, 1.5, 2, 2.5]),
        (-3, 3, [-3, -2, -1, 0, 1, 2, 3]),
        (1, 100, [1, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100]),
        (0, 1, [0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1]),
        (0, 27, [0, 5, 10, 15, 20, 27]),
    ],
)
def test_both_ends_and_round_numbers_between(low, high, numbers):
    assert numbers_on(low, high) == numbers


@pytest.mark.parametrize(("low", "high"), [(0, 7), (3, 19), (0, 1000), (-50, 50), (0.5, 2)])
def test_numbers_rise_and_are_few(low, high):
    numbers = numbers_on(low, high)
    assert numbers == sorted(set(numbers))
    assert (numbers[0], numbers[-1]) == (low, high)
    assert 3 <= len(numbers) <= MOST_NUMBERS + 1


@pytest.mark.parametrize(("low", "high"), [(0, 10), (0, 100), (1, 5), (1, 100)])
@pytest.mark.parametrize("height", [45, 80])
def test_numbers_stand_in_proportion_inside_the_drawing_and_never_touch(low, high, height):
    places = written(drawn(low, high, height=height))
    assert [number for _, _, number in places] == numbers_on(low, high)
    first, last = places[0][0], places[-1][0]
    assert height > first > last > 0
    for y, _, number in places:
        assert y == pytest.approx(first - (number - low) / (high - low) * (first - last), abs=0.02)
    for (lower, size, _), (upper, *_) in pairwise(places):
        assert lower - upper >= size


def test_a_scale_without_length_is_refused():
    with pytest.raises(ValueError, match="maximum must be a number above minimum 5; got 5"):
        numbers_on(5, 5)
    with pytest.raises(ValueError, match="maximum must be a number above minimum 0; got nan"):
        drawn(0, float("nan"))


def test_it_is_told_to_a_screen_reader_with_its_ends():
    assert "<title>Fear thermometer from 0, none, to 10, most</title>" in drawn(0, 10)
