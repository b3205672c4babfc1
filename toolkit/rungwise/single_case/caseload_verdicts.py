"""The verdict on every child of a caseload or a registry, as a table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.series.batch import SeriesBatch
from rungwise.series.blocks import block_bits, blocks
from rungwise.series.caseload import Caseload
from rungwise.series.registry import Registry, SeriesKeys, of_any_size
from rungwise.single_case.child_answer import DRAWS_SEED, rule_of
from rungwise.single_case.several_ladders import verdict_over_ladders
from rungwise.single_case.verdict import Rule, Verdict, verdicts, words_of

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = (
    "child_id", "outcome", "n_ladders", "n_baseline", "n_exposure", "verdict", "verdict_words", "nap",
    "nap_low", "nap_high", "tau", "p_value", "trend_p", "beyond", "beyond_low", "beyond_high",
)  # fmt: skip


def caseload_verdicts(source: Caseload | Registry | str | Path, rule: Rule | None = None) -> pd.DataFrame:
    """Classify every child once, over all of its ladders, with all its ratings so far.

    For an overview of a caseload of any size. An audit asks more: which outcomes were due in a
    quarter, and what of those who could not be judged. The p-values are unadjusted, and one in twenty
    is small by chance.

    Parameters
    ----------
    source : Caseload, Registry or path
        As in `rungwise.effects`.
    rule : Rule, optional
        Default the practice's settings.

    Returns
    -------
    DataFrame
        One row per child, sorted by code: ``child_id, outcome, n_ladders, n_baseline, n_exposure``
        (occasions the verdict rests on, added up over the ladders that enter: those with both phases,
        or all where none has), ``verdict, verdict_words``, then NAP with its limits, Tau and its p, the
        baseline trend's p, and the change beyond the baseline with its limits.

    Notes
    -----
    The verdicts are those of `child_answer`. `rungwise.audit.outcomes.shares` turns them into shares.
    """
    import pandas as pd

    given: Caseload | Registry = of_any_size(source)
    if isinstance(given, Registry):
        frames = [pd.read_parquet(file) for file in verdict_files(given, rule)]
        together = pd.concat(frames, ignore_index=True)
        order = np.argsort(together["child_id"].to_numpy(str), kind="stable")
        return together.iloc[order].reset_index(drop=True)
    pairs, series = [], []
    for child in given.children:
        for ladder in given.ladders(child, trained=True) or given.ladders(child):
            one = given.series(child, ladder)
            pairs.append((child, ladder, given.outcomes(child)[0], _day(one.starts_on)))
            series.append(one)
    children, ladders, outcomes, starts = zip(*pairs, strict=True) if pairs else ((), (), (), ())
    keys = SeriesKeys(children, ladders, outcomes, np.array(starts, dtype=float))
    return verdicts_of(
        SeriesBatch.of(*series), keys, block_bits(len(given.children)), rule or rule_of(given.practice)
    )


def verdict_files(registry: Registry, rule: Rule | None = None) -> list[Path]:
    """Classify every child of a registry, and leave the rows as Parquet files in its work folder."""
    return registry.map(verdicts_of, rule or rule_of(registry.practice), "verdicts")


def verdicts_of(batch: SeriesBatch, keys: SeriesKeys, bits: int, rule: Rule) -> pd.DataFrame:
    """Give the rows of `caseload_verdicts` for series whose keys are known."""
    import pandas as pd

    rows: list[dict[str, Any]] = []
    children = np.array(keys.children, dtype=object)
    for places in blocks(keys.children, bits):
        here = children[places]
        starts = np.flatnonzero(np.concatenate([[True], here[1:] != here[:-1]]))
        families = np.split(places, starts[1:])
        alone = np.array([family[0] for family in families if len(family) == 1], dtype=np.int64)
        if len(alone):
            each = verdicts(batch.take(alone).tight(), rule)
            rows += [
                _row(one, batch, keys, [place]) for one, place in zip(each, alone.tolist(), strict=True)
            ]
        for family in families:
            if len(family) > 1:
                each = verdicts(batch.take(family).tight(), rule)
                one = verdict_over_ladders(
                    each,
                    np.random.default_rng(DRAWS_SEED),
                    _shifts(keys, family),
                    [keys.ladders[place] for place in family.tolist()],
                )
                rows.append(_row(one, batch, keys, family.tolist()))
    rows.sort(key=lambda row: row["child_id"])
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    texts = dict.fromkeys(("child_id", "outcome", "verdict", "verdict_words"), "str")
    return frame.astype(texts)


def _row(found: Verdict, batch: SeriesBatch, keys: SeriesKeys, family: Sequence[int]) -> dict[str, Any]:
    first = family[0]
    entered = [place for place in family if batch.n_a[place] and batch.n_b[place]] or list(family)
    return {
        "child_id": keys.children[first],
        "outcome": keys.outcomes[first],
        "n_ladders": len(family),
        "n_baseline": int(sum(batch.n_a[place] for place in entered)),
        "n_exposure": int(sum(batch.n_b[place] for place in entered)),
        "verdict": found.code,
        "verdict_words": words_of(found.code, lower=bool(batch.sign[first] < 0)),
        "nap": found.size.value,
        "nap_low": found.size.ci_low,
        "nap_high": found.size.ci_high,
        "tau": found.fell.value,
        "p_value": found.fell.p_value,
        "trend_p": found.baseline_trend.p_value,
        "beyond": found.beyond_baseline.value,
        "beyond_low": found.beyond_baseline.ci_low,
        "beyond_high": found.beyond_baseline.ci_high,
    }


def _shifts(keys: SeriesKeys, family: np.ndarray) -> np.ndarray | None:
    """Give the first day of each ladder, counted from the earliest; None where days are not known."""
    if keys.starts is None or np.isnan(keys.starts[family]).any():
        return None
    return keys.starts[family] - keys.starts[family].min()


def _day(starts_on: Any) -> float:
    return np.nan if starts_on is None else float(starts_on.toordinal())
