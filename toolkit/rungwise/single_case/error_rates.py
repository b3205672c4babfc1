"""How often the verdict errs: the shipped table of its measured rates."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from functools import cache
from operator import itemgetter

from rungwise.basis.page_numbers import of_hundred
from rungwise.resources import PACKAGE
from rungwise.single_case.verdict_rule import FELL, words_of

TABLE = PACKAGE / "data" / "verdict_rates.csv"


@dataclass(frozen=True)
class ErrorRates:
    """Rates of the verdict in simulated children at the nearest lengths of the table.

    Attributes
    ----------
    n_baseline, n_exposure : int
        Lengths of the simulated series.
    wrong : dict of float to float
        Autocorrelation to the largest of the shares called "fell, beyond the baseline's own course"
        in children without any effect, over the baseline trends and places on the scale simulated.
    power : dict of float to float
        Autocorrelation to the share called so in children with the table's standard effect and a
        flat baseline in the middle of the scale.
    effect : str
        The standard effect in words.
    found : dict of float to float
        Autocorrelation to the share of the same children that are called fallen at all, in any of the
        verdicts that say so.
    fallen_wrongly, risen_wrongly : dict of float to float
        Autocorrelation to the share of children without any effect and without a trend that are called
        fallen, in any of those verdicts, or risen.
    """

    n_baseline: int
    n_exposure: int
    wrong: dict[float, float]
    power: dict[float, float]
    effect: str
    found: dict[float, float] = field(default_factory=dict)
    fallen_wrongly: dict[float, float] = field(default_factory=dict)
    risen_wrongly: dict[float, float] = field(default_factory=dict)

    def said(self, *, lower: bool = True) -> str:
        """Say the rates in words; the simulated ratings are mirrored where higher is better."""
        low, high = min(self.wrong.values()), max(self.wrong.values())
        found_low, found_high = min(self.power.values()), max(self.power.values())
        effect = self.effect if lower else self.effect.replace("fall", "rise")
        return (
            f"In the nearest simulated design that is not longer ({self.n_baseline} baseline and "
            f"{self.n_exposure} exposure occasions, ratings from 0 to 10), children without any effect are "
            f"called “{words_of('fell_beyond_baseline', lower=lower)}” in {_range(low, high)} of 100 runs, "
            f"and children with {effect} in {_range(found_low, found_high)} of 100 (autocorrelation "
            f"{min(self.wrong):g} to {max(self.wrong):g})."
        )

    def said_of_change(self, code: str, *, lower: bool = True) -> str:
        """Say how often a change is called where there is none, beside a verdict that calls one."""
        shares = self.risen_wrongly if code == "rose" else self.fallen_wrongly
        if not shares or code not in ("rose", *FELL):
            return ""
        way = "risen" if (code == "rose") == lower else "fallen"
        return (
            f"Children without any effect and without a trend are called {way} at all in "
            f"{_range(min(shares.values()), max(shares.values()))} of 100 simulated runs (autocorrelation "
            f"{min(shares):g} to {max(shares):g}); with a trend that goes on, in far more."
        )


def error_rates(n_baseline: int, n_exposure: int) -> ErrorRates | None:
    """Give the measured rates for the longest simulated series that is not longer than this one.

    None where the series is shorter than every simulated one.

    Examples
    --------
    >>> rates = error_rates(6, 15)
    >>> sorted(rates.wrong) == [0.0, 0.2, 0.4, 0.6]
    True
    """
    table = _table()
    fitting = [lengths for lengths in table if lengths[0] <= n_baseline and lengths[1] <= n_exposure]
    if not fitting:
        return None
    return table[max(fitting, key=lambda lengths: (lengths[0] / n_baseline) + (lengths[1] / n_exposure))]


@cache
def _table() -> dict[tuple[int, int], ErrorRates]:
    table: dict[tuple[int, int], ErrorRates] = {}
    with open(TABLE, newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(line for line in file if not line.startswith("#"))
    names = ("n_baseline", "n_exposure", "phi", "trend", "place", "effect", "rose", *FELL)
    pick = itemgetter(*(header.index(name) for name in names))
    effect = next((row[header.index("effect_words")] for row in rows if "standard" in row), "")
    for n_baseline, n_exposure, phi, trend, place, kind, rose, *fell in map(pick, rows):
        lengths = int(n_baseline), int(n_exposure)
        rates = table.setdefault(lengths, ErrorRates(*lengths, wrong={}, power={}, effect=effect))
        share = float(fell[FELL.index("fell_beyond_baseline")])
        if kind == "none":
            rates.wrong[float(phi)] = max(share, rates.wrong.get(float(phi), 0.0))
            if (trend, place) == ("none", "middle"):
                rates.fallen_wrongly[float(phi)] = sum(map(float, fell))
                rates.risen_wrongly[float(phi)] = float(rose)
        elif (trend, place) == ("none", "middle"):
            rates.power[float(phi)] = share
            rates.found[float(phi)] = sum(map(float, fell))
    return table


def _range(low: float, high: float) -> str:
    first, last = of_hundred(low), of_hundred(high)
    return first if first == last else f"{first} to {last}"
