"""Numbers on the page: the one place that rounds them.

Source of the conventions: APA 7 number style (no leading zero where a value cannot exceed 1; exact
p to two or three decimals, "< .001" below that).
"""

from __future__ import annotations

import math

from rungwise.basis.estimate import Estimate

MINUS = "−"


def format_p(p_value: float) -> str:
    """Write a p-value with its sign of relation: three decimals, ``"< .001"`` below that, never 0.

    Examples
    --------
    >>> format_p(0.0317), format_p(0.2), format_p(1e-9), format_p(1.0)
    ('= .032', '= .20', '< .001', '= 1.00')
    """
    if math.isnan(p_value):
        return "not available"
    if p_value < 0.001:
        return "< .001"
    return "= " + format_bounded(p_value, 3 if p_value < 0.1 else 2)


def format_bounded(value: float, digits: int = 2) -> str:
    """Write a number that cannot exceed 1 in size (p, tau, NAP, kappa, shares): no leading zero.

    Examples
    --------
    >>> format_bounded(0.816), format_bounded(-0.05), format_bounded(1.0), format_bounded(float("nan"))
    ('.82', '−.05', '1.00', 'not available')
    """
    return (
        format_number(value, digits).replace("0.", ".", 1)
        if abs(value) < 1
        else format_number(value, digits)
    )


def format_number(value: float, digits: int = 1) -> str:
    """Write a number with a fixed count of decimals and a true minus sign; never a minus zero.

    Examples
    --------
    >>> format_number(-3.14159), format_number(-0.04), format_number(12, 0)
    ('−3.1', '0.0', '12')
    """
    if math.isnan(value):
        return "not available"
    text = f"{value:.{digits}f}"
    if text.startswith("-"):
        text = text[1:] if float(text) == 0 else MINUS + text[1:]
    return text


def format_interval(estimate: Estimate, digits: int = 2, *, bounded: bool = True) -> str:
    """Write an estimate's interval in brackets, or why there is none.

    Examples
    --------
    >>> format_interval(Estimate("tau", 0.8, 0.31, 0.95))
    '[.31, .95]'
    >>> format_interval(Estimate("tau", 0.8))
    '(no interval)'
    """
    if math.isnan(estimate.ci_low) or math.isnan(estimate.ci_high):
        return "(no interval)"
    write = format_bounded if bounded else format_number
    return f"[{write(estimate.ci_low, digits)}, {write(estimate.ci_high, digits)}]"


def of_hundred(share: float) -> str:
    """Write a share as a whole number of 100 that never rounds to a false 0 or 100.

    Examples
    --------
    >>> of_hundred(0.934), of_hundred(0.998), of_hundred(1.0), of_hundred(0.002)
    ('93', 'more than 99', '100', 'fewer than 1')
    """
    if math.isnan(share):
        return "not available"
    hundredths = round(100 * share)
    if hundredths == 100 and share < 1:
        return "more than 99"
    if hundredths == 0 and share > 0:
        return "fewer than 1"
    return str(hundredths)


def count_of(number: int, noun: str, plural: str | None = None) -> str:
    """Write a count with its noun.

    Examples
    --------
    >>> count_of(1, "row"), count_of(3, "row"), count_of(0, "child", "children")
    ('1 row', '3 rows', '0 children')
    """
    return f"{number} {noun if number == 1 else plural or noun + 's'}"
