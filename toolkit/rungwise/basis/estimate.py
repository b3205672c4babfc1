"""The one shape of a result: `Estimate` for one series, `Estimates` for many."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

ROW_FIELDS = (
    "statistic", "value", "ci_low", "ci_high", "confidence", "p_value", "alternative", "null",
    "n", "method", "unit", "favors", "cautions",
)  # fmt: skip


@dataclass(frozen=True)
class Estimate:
    """One number with everything needed to read it honestly.

    Attributes
    ----------
    statistic : str
        The statistic's name, as in the published literature.
    value : float
        Full precision; NaN when it cannot be estimated, with the reason in `cautions`.
    ci_low, ci_high : float
        Interval limits at `confidence`; NaN where no interval has shown its coverage.
    confidence : float
        Coverage aimed at, for example 0.95.
    p_value : float
        Never 0. NaN when the statistic has no test.
    alternative : str
        ``"two-sided"``, ``"improvement"``, ``"worsening"``, or ``""`` when there is no test.
    null : str
        The null model: ``"exchangeable"``, ``"design"``, a model's name, or ``""``.
    n : int
        Observations that entered the calculation.
    counts : Mapping[str, float]
        The counts the value was made of (pairs, observations per phase, ties ...).
    method : str
        What was computed and whether it is exact.
    unit : str
        Unit of `value`; ``""`` for pure numbers.
    favors : str
        ``"improvement"``, ``"worsening"``, ``"neither"`` or ``""`` (unknown).
    cautions : tuple of str
        Full sentences that must stand beside the number.

    Examples
    --------
    >>> Estimate("tau", 0.8, n=9).as_row()["value"]
    0.8
    """

    statistic: str
    value: float
    ci_low: float = float("nan")
    ci_high: float = float("nan")
    confidence: float = 0.95
    p_value: float = float("nan")
    alternative: str = ""
    null: str = ""
    n: int = 0
    counts: Mapping[str, float] = field(default_factory=dict)
    method: str = ""
    unit: str = ""
    favors: str = ""
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "counts", MappingProxyType(dict(self.counts)))

    def __reduce__(self) -> tuple[Any, ...]:
        state = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return (_rebuild, ({**state, "counts": dict(self.counts)},))

    def as_row(self) -> dict[str, Any]:
        """Give one flat row: the fields of the vocabulary, then one ``count_…`` entry per count."""
        row = {name: getattr(self, name) for name in ROW_FIELDS}
        row["cautions"] = " ".join(self.cautions)
        row.update({f"count_{name}": number for name, number in self.counts.items()})
        return row


def _rebuild(state: dict[str, Any]) -> Estimate:
    return Estimate(**state)


@dataclass(frozen=True)
class Estimates:
    """The same result for many series at once, one array entry per series.

    Text fields are one string for all series or an object array; columns left out are NaN for all;
    `cautions` maps a sentence to the mask of the series it concerns.

    Examples
    --------
    >>> many = Estimates("tau", value=np.array([0.8, -0.2]), n=np.array([9, 12]))
    >>> many[1].value, many[1].n, len(many)
    (-0.2, 12, 2)
    """

    statistic: str
    value: np.ndarray
    n: np.ndarray
    ci_low: np.ndarray = field(default_factory=lambda: np.array(np.nan))
    ci_high: np.ndarray = field(default_factory=lambda: np.array(np.nan))
    confidence: float = 0.95
    p_value: np.ndarray = field(default_factory=lambda: np.array(np.nan))
    alternative: str = ""
    null: str = ""
    counts: Mapping[str, np.ndarray] = field(default_factory=dict)
    method: str | np.ndarray = ""
    unit: str | np.ndarray = ""
    favors: str | np.ndarray = ""
    cautions: Mapping[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("ci_low", "ci_high", "p_value"):
            object.__setattr__(self, name, np.broadcast_to(getattr(self, name), np.shape(self.value)))

    def __len__(self) -> int:
        return len(self.value)

    def __iter__(self) -> Iterator[Estimate]:
        return (self[i] for i in range(len(self)))

    def __getitem__(self, i: int) -> Estimate:
        def text(column: str | np.ndarray) -> str:
            return column if isinstance(column, str) else str(column[i])

        return Estimate(
            statistic=self.statistic,
            value=float(self.value[i]),
            ci_low=float(self.ci_low[i]),
            ci_high=float(self.ci_high[i]),
            confidence=self.confidence,
            p_value=float(self.p_value[i]),
            alternative=self.alternative,
            null=self.null,
            n=int(self.n[i]),
            counts={name: column[i].item() for name, column in self.counts.items()},
            method=text(self.method),
            unit=text(self.unit),
            favors=text(self.favors),
            cautions=tuple(sentence for sentence, mask in self.cautions.items() if mask[i]),
        )

    def take(self, rows: Sequence[int]) -> Estimates:
        """Give some entries, in the order asked for."""
        places = np.asarray(rows, dtype=np.int64)

        def some(column: Any) -> Any:
            return column if isinstance(column, str) else np.asarray(column)[places]

        columns = ("value", "n", "ci_low", "ci_high", "p_value", "method", "unit", "favors")
        return replace(
            self,
            **{name: some(getattr(self, name)) for name in columns},
            counts={name: some(column) for name, column in self.counts.items()},
            cautions={sentence: some(mask) for sentence, mask in self.cautions.items()},
        )

    def frame(self) -> pd.DataFrame:
        """Give a tidy frame, one row per series, with the columns of `Estimate.as_row`."""
        import pandas as pd

        return pd.DataFrame([estimate.as_row() for estimate in self])


def orientation(value: np.ndarray) -> np.ndarray:
    """Say whom oriented values favor: positive is improvement, 0 neither, NaN unknown.

    Examples
    --------
    >>> orientation(np.array([0.3, 0.0, -1.0, np.nan])).tolist()
    ['improvement', 'neither', 'worsening', '']
    """
    words = np.array(["worsening", "neither", "improvement", ""], dtype=object)
    sign = np.where(np.isnan(value), 2, np.sign(value)).astype(int)
    return words[sign + 1]
