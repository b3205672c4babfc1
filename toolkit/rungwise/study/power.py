"""How likely a planned study is to show an effect, by simulating the very test that it will use."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.null_two_phase import ALTERNATIVES
from rungwise.single_case.designs import Design, SingleDesign
from rungwise.single_case.randomization import STATISTICS
from rungwise.study.scenario import Scenario
from rungwise.study.simulated_designs import Setting
from rungwise.study.simulated_tests import reaching

if TYPE_CHECKING:
    import pandas as pd

Made = TypeVar("Made")
# Replications made at once.
_TOGETHER = 16_384


@dataclass(frozen=True)
class Power:
    """The share of simulated studies whose test reached its level.

    Attributes
    ----------
    power : float
        Share of all replications; those that could not be tested count as not reaching it.
    monte_carlo_error : float
        Standard error of `power` from the finite number of replications.
    replications : int
    not_testable : float
        Share of replications in which a permitted assignment would have left a phase without a rating.
    cases, occasions : int
    assignments : int
        Permitted assignments.
    smallest_p : float
        Smallest p the design could give.
    counted : int
        Assignments each p was counted from; fewer than `assignments` where some were drawn.
    alpha : float
    """

    power: float
    monte_carlo_error: float
    replications: int
    not_testable: float
    cases: int
    occasions: int
    assignments: int
    smallest_p: float
    counted: int
    alpha: float


def power(
    design: Design | Sequence[SingleDesign],
    occasions: int,
    scenario: Scenario,
    *,
    rng: np.random.Generator,
    statistic: str = "mean_difference",
    alternative: str = "improvement",
    alpha: float = 0.05,
    replications: int = 2_000,
    draws: int = 999,
) -> Power:
    """Simulate a study many times and test each as it will be tested.

    In each replication the starts are drawn as the design says, the ratings follow from them, and the
    p-value of `rungwise.randomization_test` is found over all permitted assignments.

    Parameters
    ----------
    design : StaggeredStarts, or a RandomStart for each case
        What will be drawn at random.
    occasions : int
        Planned occasions of each case.
    scenario : Scenario
    rng : numpy.random.Generator
    statistic : {"mean_difference", "tau", "immediate_change"}
    alternative : {"improvement", "worsening", "two-sided"}
    alpha : float
    replications : int
    draws : int
        Assignments drawn for each p where there are too many to count (above one million), each
        p = (b + 1)/(draws + 1).

    Returns
    -------
    Power

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Power is as true as the scenario: fear that falls in steps, relapses or floors earlier gives other
    numbers. With `scenario.without_effect()` the result is the error rate of the test, at most alpha
    where nothing is missing; ratings missing at random leave it so, children who leave because of
    their fear may not.

    Examples
    --------
    >>> from rungwise.single_case.staggered_starts import StaggeredStarts
    >>> design = StaggeredStarts(((5, 6), (9, 10), (13, 14)), shuffled=True, assignment="random")
    >>> result = power(design, 18, Scenario(), rng=np.random.default_rng(1), replications=300)
    >>> result.assignments, result.power > 0.5, result.monte_carlo_error < 0.03
    (48, True, True)
    """
    check_choice("statistic", statistic, STATISTICS)
    check_choice("alternative", alternative, ALTERNATIVES)
    check_between("alpha", alpha, 0, 1)
    if replications < 1:
        raise ValueError(f"replications must be 1 or more; got {replications!r}.")
    setting = Setting.of(design, occasions, rng, draws)
    significant = untestable = 0
    for first in range(0, replications, _TOGETHER):
        size = min(_TOGETHER, replications - first)
        reached, without = reaching(setting, scenario, size, rng, statistic, alternative, alpha)
        untestable += int(without.sum())
        significant += int(reached.sum())
    share = significant / replications
    smallest = setting.smallest_p * (2 if alternative == "two-sided" else 1)
    return Power(
        power=share,
        monte_carlo_error=math.sqrt(share * (1 - share) / replications),
        replications=replications,
        not_testable=untestable / replications,
        cases=setting.cases,
        occasions=occasions,
        assignments=setting.total,
        smallest_p=min(1.0, smallest),
        counted=setting.listed.shape[0],
        alpha=alpha,
    )


def power_curve(
    make_design: Callable[[int, int], Design | Sequence[SingleDesign]],
    children: Iterable[int],
    lengths: Iterable[int],
    scenario: Scenario,
    *,
    seed: int,
    **settings: Any,
) -> pd.DataFrame:
    """Give power over numbers of children and of occasions.

    Parameters
    ----------
    make_design : callable
        Gives the design for a number of children and of occasions; a combination it refuses with
        ValueError is left blank.
    children, lengths : iterable of int
    scenario : Scenario
    seed : int
        Each combination draws from a stream of its own, so that adding one changes no other.
    **settings
        As for `power`.

    Returns
    -------
    DataFrame
        One row per combination: ``children, occasions, power, monte_carlo_error, smallest_p,
        assignments, not_testable, reason``.
    """
    return over_combinations(
        children,
        lengths,
        seed,
        make_design,
        lambda design, _, n, rng: power(design, n, scenario, rng=rng, **settings),
    )


def over_combinations(
    children: Iterable[int],
    lengths: Iterable[int],
    seed: int,
    make_design: Callable[[int, int], Made],
    find: Callable[[Made, int, int, np.random.Generator], Power],
) -> pd.DataFrame:
    """Find the power of each combination, in the columns of `power_curve`.

    Parameters
    ----------
    children, lengths, seed, make_design
        As for `power_curve`.
    find : callable
        Gives the power of a design for a number of children and of occasions, with a generator.
    """
    import pandas as pd

    rows = []
    for m, n in product(list(children), list(lengths)):
        row: dict[str, Any] = {"children": m, "occasions": n}
        try:
            design = make_design(m, n)
        except ValueError as error:
            blank = dict.fromkeys(("power", "monte_carlo_error", "smallest_p", "not_testable"), math.nan)
            rows.append(row | blank | {"assignments": 0, "reason": str(error)})
            continue
        result = find(design, m, n, np.random.default_rng([seed, m, n]))
        names = ("power", "monte_carlo_error", "smallest_p", "assignments", "not_testable")
        rows.append(row | {name: getattr(result, name) for name in names} | {"reason": ""})
    return pd.DataFrame(rows)
