import numpy as np
import pytest
from rungwise.models.mixture import Mixture


def mixtures(seed: int, rows: int = 400, nodes: int = 24) -> Mixture:
    """Give mixtures from nearly one component to islands of probability with nothing in between."""
    rng = np.random.default_rng(seed)
    apart = rng.choice([0, 0.1, 0.5, 2, 20], (rows, 1))
    return Mixture(
        center=3 * rng.normal(size=(rows, 1)) + apart * rng.normal(size=(rows, nodes)),
        spread=rng.gamma(5, size=(rows, nodes)) * rng.choice([0.01, 1, 100], (rows, 1)),
        share=rng.dirichlet(np.full(nodes, 0.5), rows),
        df=rng.integers(1, 60, rows).astype(float),
    )


@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999])
def test_limits_leave_their_tails_however_odd_the_mixture(confidence):
    many = mixtures(1)
    low, high = many.limits(confidence)
    tail = (1 - confidence) / 2
    np.testing.assert_allclose(many.sf(high), tail, rtol=1e-9)
    np.testing.assert_allclose(many.cdf(low), tail, rtol=1e-9)


def test_limits_do_not_depend_on_who_else_is_there():
    many = mixtures(2, rows=40)
    alone = [
        Mixture(many.center[i : i + 1], many.spread[i : i + 1], many.share[i : i + 1], many.df[i : i + 1])
        for i in range(40)
    ]
    together = np.transpose(many.limits(0.9))
    np.testing.assert_allclose(together, np.concatenate([np.transpose(one.limits(0.9)) for one in alone]))


def test_what_is_unknown_has_no_limits():
    many = mixtures(3, rows=3)
    center = many.center.copy()
    center[1] = np.nan
    low, high = Mixture(center, many.spread, many.share, many.df).limits(0.95)
    assert np.isnan([low[1], high[1]]).all()
    assert np.isfinite([low[0], high[0], low[2], high[2]]).all()
