"""The calibration card of every report: how often its statistics err, by autocorrelation.

The rates come from the shipped tables; the caseload's own autocorrelation is marked beside them and
chooses nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import format_bounded, format_number, of_hundred
from rungwise.reports.blocks import Block, heading, table
from rungwise.reports.manuscript import Part, rows
from rungwise.reports.words import ENGLISH, Words
from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import Caseload
from rungwise.single_case.calibration import calibration_card
from rungwise.single_case.error_rates import ErrorRates, error_rates
from rungwise.single_case.pooled_autocorrelation import caseload_autocorrelation, pooled_autocorrelation

if TYPE_CHECKING:
    from rungwise.audit.audit import Audit
    from rungwise.audit.sharing import SharedAudit
    from rungwise.study.analysis import StudyResult

TITLE = "Calibration card"
# Without data of children to go by: six weeks of baseline and twelve of exposure, once a week each.
USUAL = (6, 12)


@dataclass(frozen=True)
class Card:
    """One table of rates, for a page or a manuscript."""

    rows: tuple[Mapping[str, str], ...]
    caption: str
    notes: tuple[str, ...]

    def block(self) -> Block:
        """Give it as a block of a page."""
        numeric = list(self.rows[0])[1:] if self.rows else []
        return table(self.rows, caption=self.caption, numeric=numeric, notes=self.notes)

    def part(self) -> Part:
        """Give it as a part of a manuscript."""
        numeric = list(self.rows[0])[1:] if self.rows else []
        return rows(self.rows, self.caption, numeric=numeric, notes=self.notes)


def marked(phi: float, pooled: Estimate | None, say: Words = ENGLISH, *, whose: str = "caseload") -> str:
    """Write an autocorrelation of the tables, marked where it is the nearest to the caseload's."""
    words = format_number(phi, 1)
    if pooled is None or math.isnan(pooled.value):
        return words
    nearest = min((0.0, 0.2, 0.4, 0.6), key=lambda one: abs(one - pooled.value))
    return say(f"card.{whose}_marked", phi=words) if phi == nearest else words


def about_caseload(pooled: Estimate | None, say: Words = ENGLISH, *, whose: str = "caseload") -> list[str]:
    """Say the caseload's own autocorrelation with its uncertainty, or why it is not known."""
    if pooled is None:
        return []
    if math.isnan(pooled.value):
        return [say(f"card.{whose}_unknown")]
    count = say.count("child", int(pooled.counts["children"]))
    value = format_bounded(pooled.value)
    if math.isnan(pooled.ci_low):
        return [say(f"card.{whose}_alone", value=value, children=count)]
    low, high = format_bounded(pooled.ci_low), format_bounded(pooled.ci_high)
    return [say(f"card.{whose}", value=value, low=low, high=high, children=count)]


def verdict_card(
    lengths: tuple[int, int], pooled: Estimate | None, said: Sequence[str] = ()
) -> Card | None:
    """Give the rates of the verdict for series of these lengths; None where none so short was simulated."""
    rates = error_rates(*lengths)
    if rates is None:
        return None
    return Card(
        tuple(_verdict_row(rates, phi, pooled) for phi in sorted(rates.wrong)),
        "How often the verdict errs, in 100 simulated children",
        (
            f"Simulated with {rates.n_baseline} baseline and {rates.n_exposure} exposure occasions, "
            f"ratings 0 to 10. No effect, “beyond”: called “fell, beyond the baseline's own course”, the "
            f"worst of several baselines that go on. No effect, fell or rose: called so at all, without a "
            f"trend. Real effect: {rates.effect}. Autocorrelation is how much a rating resembles the one "
            "before it.",
            *said,
        ),
    )


def _verdict_row(rates: ErrorRates, phi: float, pooled: Estimate | None) -> dict[str, str]:
    return {
        "Autocorrelation": marked(phi, pooled),
        "No effect: “beyond”": of_hundred(rates.wrong[phi]),
        "No effect: fell": of_hundred(rates.fallen_wrongly[phi]),
        "No effect: rose": of_hundred(rates.risen_wrongly[phi]),
        "Real effect: “beyond”": of_hundred(rates.power[phi]),
        "Real effect: fell": of_hundred(rates.found[phi]),
    }


def statistics_card(lengths: tuple[int, int], pooled: Estimate | None) -> Card | None:
    """Give the rates of the statistics that a study's report shows case by case."""
    every = calibration_card(None, *lengths)
    every = every[(every["place"] == "middle") & (every["effect"] == "none")]
    if every.empty:
        return None

    def share(statistic: str, trend: str, phi: float, columns: list[str]) -> float:
        here = every[(every["statistic"] == statistic) & (every["trend"] == trend) & (every["phi"] == phi)]
        return float(here[columns].sum(axis=1).iloc[0])

    called = ["improved", "worsened"]
    beyond = "Mean change beyond the baseline"
    entries = [
        {
            "Autocorrelation": marked(phi, pooled, whose="study"),
            "Tau, no trend": of_hundred(share("Tau", "none", phi, called)),
            "Tau, mild trend": of_hundred(share("Tau", "mild", phi, called)),
            "NAP interval": of_hundred(share("NAP", "none", phi, ["coverage"])),
            "Beyond, no trend": of_hundred(share(beyond, "none", phi, called)),
            "Beyond, mild trend": of_hundred(share(beyond, "mild", phi, called)),
            "Beyond interval": of_hundred(share(beyond, "none", phi, ["coverage"])),
        }
        for phi in sorted(set(every["phi"]))
    ]
    n_baseline, n_exposure = (int(every[name].iloc[0]) for name in ("n_baseline", "n_exposure"))
    return Card(
        tuple(entries),
        "How often the statistics of single cases err, in 100 simulated children without any effect",
        (
            f"Simulated with {n_baseline} baseline and {n_exposure} exposure occasions, ratings 0 to 10. "
            "Tau and beyond: p of .05 or less in either direction; a mild baseline trend goes on through "
            "exposure. Intervals: how often the 95% interval holds the true value, without a trend. The "
            "randomization test is not in the table: it keeps its level whatever trend and "
            "autocorrelation, because it rests on the draw alone.",
            *about_caseload(pooled, whose="study"),
        ),
    )


def practice_card(caseload: Caseload, audit: Audit) -> Block:
    """Give the card of an audit, at the median lengths of the children judged."""
    judged = audit.children[audit.children["stage"] == "judged"]
    lengths, about = USUAL, "No child was judged, so usual lengths are shown."
    if len(judged):
        lengths = int(np.median(judged["n_baseline"])), int(np.median(judged["n_exposure"]))
        about = (
            f"Half of the children judged had {lengths[0]} baseline occasions or fewer, half {lengths[1]} "
            "exposure occasions or fewer."
        )
    pooled = caseload_autocorrelation(caseload)
    said = [*about_caseload(pooled), about]
    return _titled(verdict_card(lengths, pooled, said) or verdict_card(USUAL, pooled, said))


def shared_card(caseload: Caseload, shared: SharedAudit) -> Block:
    """Give the card of the edition for sharing: usual lengths, and no number that rests on few children."""
    pooled = caseload_autocorrelation(caseload)
    if pooled.counts["children"] < shared.threshold or math.isnan(pooled.ci_low):
        hidden = "This caseload's own autocorrelation rests on too few children to be shown."
        return _titled(verdict_card(USUAL, None, [hidden]))
    # How many children it rests on could narrow a number down that is not shown.
    value, low, high = map(format_bounded, (pooled.value, pooled.ci_low, pooled.ci_high))
    said = (
        f"This caseload's own autocorrelation, corrected for bias, is {value} (95% interval {low} to "
        f"{high}). It picks no row for one child."
    )
    return _titled(verdict_card(USUAL, pooled, [said]))


def study_cards(result: StudyResult) -> list[Card]:
    """Give the cards of a study, at the median lengths of its cases."""
    study = result.study
    series = [one.series for one in study.cases]
    pooled = pooled_autocorrelation(SeriesBatch.of(*series), [one.case.child_id for one in study.cases])
    lengths = (
        int(np.median([one.n_baseline for one in series])),
        int(np.median([one.n_exposure for one in series])),
    )
    card = statistics_card(lengths, pooled)
    return [card] if card is not None else []


def _titled(card: Card | None) -> Block:
    return heading(TITLE, 3) + card.block() if card is not None else heading(TITLE, 3)
