"""From random numbers to ratings: what series share must not depend on how it is worked out."""

import numpy as np
import pytest
from rungwise.simulate.process import RatingProcess

TIMES = np.array([1.0, 2, 4, 5, 6.5, 7, 8, 10])
COURSE = {"start": 7.0, "baseline_slope": -0.1, "level_change": -1.0, "slope_change": -0.3, "sd": 1.2}


def process(**keywords):
    settings = {
        "times": TIMES, "phi": 0.4, "floor": 0, "ceiling": 10, "whole": True, "decline_at": 8.0,
        "decline_softness": 0.5, "missed": 0.1, "dropout": 0.2,
    }  # fmt: skip
    return RatingProcess(**settings | keywords)


def rated(one, each, groups=((2, 30), (5, 1100), (3, 40))):
    """Ratings, declines and gaps of groups of series; their course given once, or to each series."""
    rng = np.random.default_rng(3)
    starts, sizes = zip(*groups, strict=True)
    drawn = one.room(sum(sizes))
    # What an earlier block left there must not matter.
    for left_over in (drawn.latent, drawn.declining, drawn.missing, drawn.leaving):
        if left_over is not None:
            left_over[:] = 0
    first = 0
    for start, size in groups:
        one.draw(rng, drawn.part(slice(first, first + size)), start)
        first += size
    course = {
        name: np.full(sum(sizes), value) if each else np.array(value) for name, value in COURSE.items()
    }
    declined, absent = np.zeros((2, *drawn.latent.shape), dtype=bool)
    one.rate(drawn, course, starts, sizes, declined, absent)
    return drawn.latent, declined, absent


@pytest.mark.parametrize("keywords", [{}, {"whole": False}, {"phi": 0.0}, {"decline_softness": 0.0}])
def test_a_course_given_once_or_to_each_series_gives_the_same_bytes(keywords):
    one = process(**keywords)
    for once, each in zip(rated(one, False), rated(one, True), strict=True):
        assert once.tobytes() == each.tobytes()


def test_nobody_has_left_before_the_second_exposure_occasion_and_nobody_comes_back():
    _, declined, absent = rated(process(missed=0.0, dropout=0.4, decline_at=None), False)
    first = 0
    for start, size in ((2, 30), (5, 1100), (3, 40)):
        part = absent[:, first : first + size]
        assert not part[: start + 1].any()
        # About two fifths have left by the next one.
        assert part[start + 1].mean() == pytest.approx(0.4, abs=4 * (0.24 / size) ** 0.5)
        assert (part[1:] >= part[:-1]).all()
        first += size
    assert not declined.any()


def test_a_missing_occasion_is_not_also_declined():
    _, declined, absent = rated(process(), True)
    assert declined.any()
    assert absent.any()
    assert not (declined & absent).any()
