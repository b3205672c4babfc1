"""p-values on the page: the one place that rounds them."""

from __future__ import annotations

import math


def format_p(p_value: float) -> str:
    """Write a p-value the way journals ask: three decimals, ``"< .001"`` below that, never 0.

    Source: APA 7 number style.

    Examples
    --------
    >>> format_p(0.0317), format_p(0.2), format_p(1e-9), format_p(1.0)
    ('= .032', '= .20', '< .001', '= 1.00')
    """
    if math.isnan(p_value):
        return "not available"
    if p_value < 0.001:
        return "< .001"
    digits = 3 if p_value < 0.1 else 2
    text = f"{p_value:.{digits}f}"
    return "= " + (text[1:] if text.startswith("0") else text)
