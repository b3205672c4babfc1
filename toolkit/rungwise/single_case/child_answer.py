"""The answer about one child, in the same words wherever it is printed."""

from __future__ import annotations

from dataclasses import dataclass

from rungwise.series.caseload import Caseload
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.verdict import Verdict


@dataclass(frozen=True)
class LadderAnswer:
    """One planned series of the child, shown but not counted on its own."""

    ladder_id: str
    series: PhaseSeries
    verdict: Verdict


@dataclass(frozen=True)
class ChildAnswer:
    """Everything the printed answer, the report and the audit say about one child.

    Attributes
    ----------
    child_id : str
    headline : str
        One plain sentence a parent can read, with its uncertainty.
    verdict : Verdict
        The child's one verdict, over all ladders.
    ladders : tuple of LadderAnswer
    level : int
        Recording level the answer rests on.
    set_aside : int
        Rows of this child's file that were set aside.
    cautions : tuple of str
    """

    child_id: str
    headline: str
    verdict: Verdict
    ladders: tuple[LadderAnswer, ...]
    level: int
    set_aside: int
    cautions: tuple[str, ...]


def child_answer(caseload: Caseload, child_id: str) -> ChildAnswer:
    """Answer the three questions about one child."""
    raise NotImplementedError
