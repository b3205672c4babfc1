"""The average of several clinics: no clinic left out without a word, none weighted by a variance of 0."""

import numpy as np
import pytest
from rungwise.audit.pool_average import (
    NO_AVERAGE,
    NOTHING_TO_WEIGH,
    ONE_CLINIC,
    ROUNDED,
    pooled_average,
)
from rungwise.study.synthesis import synthesize
from scipy.stats import t


def clinics(*means, judged=12):
    """What the average rests on in the editions of clinics with these averages and limits."""
    return [
        {"settings": {"alpha": 0.05}, "children": {"judged": judged}, "mean_nap": mean} for mean in means
    ]


def test_where_limits_have_no_width_every_clinic_enters_with_the_pooled_spread():
    wide = [[0.7, 0.6, 0.8], [0.8, 0.65, 0.95]]
    _, over_clinics, cautions = pooled_average(clinics(*wide, [0.99, 0.99, 0.99]))
    assert over_clinics.average.n == 3
    assert any(told.startswith("The limits of 1 clinic have no width") for told in cautions)
    # Equal numbers of children: the pooled variance is the mean of the three, one of them 0.
    quantile = t.ppf(0.975, 11)
    known = [(0.1 / quantile) ** 2, (0.15 / quantile) ** 2]
    expected = synthesize([0.7, 0.8, 0.99], [sum(known) / 3] * 3)
    assert over_clinics.average.value == pytest.approx(expected.average.value)
    assert over_clinics.tau2 == pytest.approx(expected.tau2)
    assert pooled_average(clinics(*wide))[2] == (ROUNDED,)


def test_the_smaller_of_two_clinics_without_width_weighs_less():
    documents = clinics([0.6, 0.4, 0.8], [0.9, 0.9, 0.9]) + clinics([0.9, 0.9, 0.9], judged=6)
    _, over_clinics, cautions = pooled_average(documents)
    _, large, small = over_clinics.weights
    assert small < large
    assert any(told.startswith("The limits of 2 clinics have no width") for told in cautions)


def test_clinics_without_an_average_are_counted():
    both = [[0.7, 0.6, 0.8], [0.8, 0.7, 0.9]]
    mean, _, cautions = pooled_average(clinics(*both, None))
    assert mean.counts["clinics"] == 2
    assert any(told.startswith("1 clinic shared no average") for told in cautions)
    assert any(told.endswith("without it.") for told in cautions)
    _, over_clinics, cautions = pooled_average(clinics(both[0], None, None))
    assert over_clinics is None
    assert any(told.startswith("2 clinics shared no average") for told in cautions)
    assert ONE_CLINIC in cautions
    mean, over_clinics, cautions = pooled_average(clinics(None, None))
    assert (mean.n, over_clinics, cautions) == (0, None, (NO_AVERAGE,))


def test_without_any_width_there_is_no_average_over_clinics():
    mean, over_clinics, cautions = pooled_average(clinics([0.9, 0.9, 0.9], [1.0, 1.0, 1.0]))
    assert over_clinics is None
    assert cautions == (ROUNDED, NOTHING_TO_WEIGH)
    assert mean.value == pytest.approx(0.95)


def test_with_equal_numbers_the_average_is_the_plain_one_of_all_clinics():
    """Leaving the clinic without width out is another answer."""
    wide = [[0.7, 0.6, 0.8], [0.8, 0.65, 0.95], [0.9, 0.86, 0.94]]
    shared = [*wide, [1.0, 1.0, 1.0]]
    _, over_clinics, _ = pooled_average(clinics(*shared))
    assert over_clinics.average.value == pytest.approx(np.mean([mean for mean, *_ in shared]))
    assert pooled_average(clinics(*wide))[1].average.value < over_clinics.average.value - 0.02
