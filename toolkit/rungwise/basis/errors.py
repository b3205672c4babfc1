"""What can go wrong, in words a person can act on."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rungwise.tables.problems import ProblemReport


class RungwiseError(Exception):
    """Base of the errors this library raises about data; the message is one or more plain sentences."""


class DataProblems(RungwiseError):
    """The files could not be used; ``report`` lists every problem found.

    Parameters
    ----------
    message : str
        One sentence saying what could not be done.
    report : ProblemReport
        All problems of all files, found in one pass.
    """

    def __init__(self, message: str, report: ProblemReport):
        super().__init__(message)
        self.report = report

    def __reduce__(self) -> tuple[Any, ...]:
        return (DataProblems, (str(self), self.report))


class NotEnoughData(RungwiseError):
    """The data are sound but too few to answer; the message says what is missing."""


def check_choice(argument: str, value: Any, allowed: Iterable[Any]) -> Any:
    """Return `value` if it is one of `allowed`; otherwise say which are.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> check_choice("better", "lower", ("lower", "higher"))
    'lower'
    >>> check_choice("better", "down", ("lower", "higher"))
    Traceback (most recent call last):
    ...
    ValueError: better must be one of 'lower', 'higher'; got 'down'.
    """
    allowed = tuple(allowed)
    if value not in allowed:
        listed = ", ".join(repr(option) for option in allowed)
        raise ValueError(f"{argument} must be one of {listed}; got {value!r}.")
    return value


def check_between(argument: str, value: float, low: float, high: float) -> float:
    """Return `value` as a float if it lies strictly between `low` and `high`.

    Raises
    ------
    ValueError
        Naming the argument, the open interval allowed and what came.
    """
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not low < number < high:
        raise ValueError(f"{argument} must be a number between {low:g} and {high:g}; got {value!r}.")
    return number
