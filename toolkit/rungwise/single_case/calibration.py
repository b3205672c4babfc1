"""The calibration card: how often each statistic errs, and how often its interval holds the truth."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rungwise.basis.errors import check_choice
from rungwise.resources import PACKAGE

if TYPE_CHECKING:
    import pandas as pd

TABLE = PACKAGE / "data" / "calibration_card.csv"


def calibration_card(
    statistic: str | None = None, n_baseline: int | None = None, n_exposure: int | None = None
) -> pd.DataFrame:
    """Give the measured false-positive rate, power and coverage of the single-case statistics.

    For putting a p-value or an interval in its place: what it would have said of simulated children
    whose baseline's course simply went on. The card qualifies a statistic that was chosen beforehand
    and never chooses one, and one child's own autocorrelation is no guide to its row.

    Parameters
    ----------
    statistic : str, optional
        One of the card's statistics; default all.
    n_baseline, n_exposure : int, optional
        Keep the longest simulated lengths that are not longer than these.

    Returns
    -------
    DataFrame
        One row per statistic and simulated design. ``improved`` and ``worsened`` are the shares of
        series called so at the two-sided level .05, or by the statistic's own rule; ``coverage`` is
        the share of 95 % intervals that hold the true value (NaN where there is no interval);
        ``no_answer`` the share of series without a value. Empty where a phase is shorter than every
        simulated one.

    Raises
    ------
    ValueError
        If the card has no such statistic.

    Examples
    --------
    >>> card = calibration_card("Tau", 6, 14)
    >>> no_effect = card[(card.effect == "none") & (card.trend == "none") & (card.place == "middle")]
    >>> no_effect.phi.tolist()
    [0.0, 0.2, 0.4, 0.6]
    """
    import pandas as pd

    # "none" is a word of this table, not a missing value.
    card = pd.read_csv(TABLE, comment="#", keep_default_na=False, na_values=[""])
    if statistic is not None:
        check_choice("statistic", statistic, tuple(card["statistic"].unique()))
        card = card[card["statistic"] == statistic]
    for name, length in (("n_baseline", n_baseline), ("n_exposure", n_exposure)):
        if length is not None:
            fitting = card.loc[card[name] <= length, name]
            card = card[card[name] == fitting.max()]
    return card.reset_index(drop=True)
