"""Series at the edges of what a practice records, one table for every statistic.

Each case carries hand-counted facts, so that a statistic can be held against them rather than only
against "does not crash". Pairs are oriented: better for the child is positive.
"""

from dataclasses import dataclass

from rungwise.series.phase_series import PhaseSeries


@dataclass(frozen=True)
class Case:
    """One series with what is known about it.

    Attributes
    ----------
    name : str
    series : PhaseSeries
    n_a, n_b : int
        Usable occasions (rated or declined).
    missing, declined : int
    better, worse : int
        Baseline-exposure pairs.
    s_a, s_b : int
        Kendall's S within the phases; pairs at equal times count 0.
    """

    name: str
    series: PhaseSeries
    n_a: int
    n_b: int
    missing: int
    declined: int
    better: int
    worse: int
    s_a: int
    s_b: int

    @property
    def at_once(self):
        """Some occasions of a phase have the same time."""
        return self.name in ("several ratings a day", "all ratings of a phase on one day")

    @property
    def estimable(self):
        """Both phases have something to compare."""
        return self.n_a > 0 and self.n_b > 0


def _declined(*flags):
    return [bool(flag) for flag in flags]


CASES = (
    Case(
        "ordinary",
        PhaseSeries.from_phases([7, 8, 7], [6, 5, 7, 3, 2]),
        n_a=3, n_b=5, missing=0, declined=0, better=13, worse=0, s_a=0, s_b=6,
    ),
    Case(
        "constant",
        PhaseSeries.from_phases([5] * 4, [5] * 6),
        n_a=4, n_b=6, missing=0, declined=0, better=0, worse=0, s_a=0, s_b=0,
    ),
    Case(
        "complete separation",
        PhaseSeries.from_phases([9, 8, 9], [4, 3, 2, 2, 1]),
        n_a=3, n_b=5, missing=0, declined=0, better=15, worse=0, s_a=0, s_b=9,
    ),
    Case(
        "complete separation the wrong way",
        PhaseSeries.from_phases([1, 2, 1], [6, 7, 9, 9, 9]),
        n_a=3, n_b=5, missing=0, declined=0, better=0, worse=15, s_a=0, s_b=-7,
    ),
    Case(
        "higher is better",
        PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher"),
        n_a=4, n_b=5, missing=0, declined=0, better=17, worse=1, s_a=3, s_b=7,
    ),
    Case(
        "one occasion in each phase",
        PhaseSeries.from_phases([7], [4]),
        n_a=1, n_b=1, missing=0, declined=0, better=1, worse=0, s_a=0, s_b=0,
    ),
    Case(
        "one baseline occasion",
        PhaseSeries.from_phases([6], [6, 5, 7, 4, 4, 3]),
        n_a=1, n_b=6, missing=0, declined=0, better=4, worse=1, s_a=0, s_b=10,
    ),
    Case(
        "empty exposure",
        PhaseSeries.from_phases([6, 7, 5], []),
        n_a=3, n_b=0, missing=0, declined=0, better=0, worse=0, s_a=1, s_b=0,
    ),
    Case(
        "empty baseline",
        PhaseSeries.from_phases([], [6, 7, 5]),
        n_a=0, n_b=3, missing=0, declined=0, better=0, worse=0, s_a=0, s_b=1,
    ),
    Case(
        "nothing at all",
        PhaseSeries.from_phases([], []),
        n_a=0, n_b=0, missing=0, declined=0, better=0, worse=0, s_a=0, s_b=0,
    ),
    Case(
        "a phase of missing ratings only",
        PhaseSeries.from_phases([None, None, None], [5, 4, 4]),
        n_a=0, n_b=3, missing=3, declined=0, better=0, worse=0, s_a=0, s_b=2,
    ),
    Case(
        "missing here and there",
        PhaseSeries.from_phases([7, None, 8], [None, 5, 3, None, 7]),
        n_a=2, n_b=3, missing=3, declined=0, better=5, worse=0, s_a=-1, s_b=-1,
    ),
    Case(
        "all declined",
        PhaseSeries.from_phases([None] * 3, [None] * 4, declined=_declined(*[1] * 7)),
        n_a=3, n_b=4, missing=0, declined=7, better=0, worse=0, s_a=0, s_b=0,
    ),
    Case(
        "declined in baseline, rated in exposure",
        PhaseSeries.from_phases(
            [None, 9, None], [9, 8, 10, 7, 6], declined=_declined(1, 0, 1, 0, 0, 0, 0, 0)
        ),
        n_a=3, n_b=5, missing=0, declined=2, better=13, worse=1, s_a=0, s_b=6,
    ),
    Case(
        "began to decline",
        PhaseSeries.from_phases(
            [6, 7, 6], [7, None, None, 8, None], declined=_declined(0, 0, 0, 0, 1, 1, 0, 1)
        ),
        n_a=3, n_b=5, missing=0, declined=3, better=0, worse=14, s_a=0, s_b=-3,
    ),
    Case(
        "a rating beside a decline is not used",
        PhaseSeries.from_phases([8, 7, 8], [2, 6, 5, 5, 4], declined=_declined(0, 0, 0, 1, 0, 0, 0, 0)),
        n_a=3, n_b=5, missing=0, declined=1, better=12, worse=3, s_a=0, s_b=9,
    ),
    Case(
        "uneven gaps",
        PhaseSeries.from_phases([8, 7, 7], [6, 5, 5, 3, 4], times=[0, 1, 9, 10, 30, 31, 60, 61]),
        n_a=3, n_b=5, missing=0, declined=0, better=15, worse=0, s_a=2, s_b=7,
    ),
    Case(
        "several ratings a day",
        PhaseSeries.from_phases([8, 6, 7, 9], [7, 5, 4, 6, 3], times=[1, 1, 2, 2, 3, 3, 3, 4, 4]),
        n_a=4, n_b=5, missing=0, declined=0, better=17, worse=1, s_a=-2, s_b=2,
    ),
    Case(
        "all ratings of a phase on one day",
        PhaseSeries.from_phases([8, 6, 7], [5, 4, 3, 4, 5], times=[1, 1, 1, 2, 3, 4, 5, 6]),
        n_a=3, n_b=5, missing=0, declined=0, better=15, worse=0, s_a=0, s_b=0,
    ),
    Case(
        "decimals",
        PhaseSeries.from_phases([7.5, 7.25, 8.0], [7.5, 6.1, 6.1, 5.75, 7.25]),
        n_a=3, n_b=5, missing=0, declined=0, better=12, worse=1, s_a=-1, s_b=3,
    ),
    Case(
        "out of time order",
        PhaseSeries(
            [3, 8, 5, 7, 4, 7, 2, 8],
            [*["exposure", "baseline"] * 3, "exposure", "exposure"],
            times=[7, 1, 4, 2, 6, 3, 8, 5],
        ),
        n_a=3, n_b=5, missing=0, declined=0, better=12, worse=2, s_a=2, s_b=8,
    ),
    Case(
        "phases that alternate",
        PhaseSeries(
            [8, 5, 7, 4, 8, 3],
            ["baseline", "exposure", "baseline", "exposure", "baseline", "exposure"],
        ),
        n_a=3, n_b=3, missing=0, declined=0, better=9, worse=0, s_a=0, s_b=3,
    ),
    Case(
        "later phases are left out",
        PhaseSeries(
            [8, 7, 8, 6, 5, 5, 4, 4, 1, 1, 9],
            ["baseline"] * 3 + ["exposure"] * 5 + ["maintenance"] * 2 + ["follow_up"],
        ),
        n_a=3, n_b=5, missing=0, declined=0, better=15, worse=0, s_a=0, s_b=8,
    ),
)  # fmt: skip
