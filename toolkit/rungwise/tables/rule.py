"""What a rule is: a code, a severity, and the words a person reads."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Rule:
    """One rule with its sentences; names in braces are filled in where it is broken.

    Attributes
    ----------
    code : str
        Stable between versions.
    severity : str
        ``"error"`` sets the rows concerned aside; ``"warning"`` sets nothing aside.
    problem : str
        What is wrong, in one sentence.
    remedy : str
        How to put it right, in one sentence.
    """

    code: str
    severity: str
    problem: str
    remedy: str


def error(code: str, problem: str, remedy: str) -> Rule:
    """Make a rule that sets aside the rows concerned."""
    return Rule(code, "error", problem, remedy)


def warning(code: str, problem: str, remedy: str) -> Rule:
    """Make a rule that sets nothing aside."""
    return Rule(code, "warning", problem, remedy)
