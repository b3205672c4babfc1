"""The parts of the likelihood that replace a slow import."""

import numpy as np
import pytest
from rungwise.models.ar1_block import _row_medians, gauss_legendre


@pytest.mark.parametrize("n", [1, 2, 24, 57])
def test_quadrature_is_that_of_numpy(n):
    nodes, weights = gauss_legendre(n)
    theirs = np.polynomial.legendre.leggauss(n)
    np.testing.assert_allclose(nodes, theirs[0], atol=1e-13)
    np.testing.assert_allclose(weights, theirs[1], rtol=1e-10)


def test_row_medians_are_those_of_numpy():
    columns = np.array(
        [[3.0, 1, np.nan, 2], [5, np.nan, np.nan, 7], [1, 2, 3, 4], [np.nan, np.nan, 8, np.nan]]
    )
    np.testing.assert_array_equal(_row_medians(columns), np.nanmedian(columns, axis=1))
