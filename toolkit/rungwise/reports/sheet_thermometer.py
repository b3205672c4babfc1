"""A fear thermometer to point at and to read a number from, drawn for black ink on white paper."""

from __future__ import annotations

import math
from html import escape
from itertools import pairwise

_STEPS = (1, 2, 5, 10)
MOST_NUMBERS = 11


def numbers_on(minimum: float, maximum: float) -> list[float]:
    """Give the numbers that stand at the thermometer: both ends, and round ones between.

    Raises
    ------
    ValueError
        If the scale has no length.

    Examples
    --------
    >>> numbers_on(0, 10)[:4], numbers_on(0, 100)[:4], numbers_on(1, 5)
    ([0, 1, 2, 3], [0, 10, 20, 30], [1, 2, 3, 4, 5])
    """
    if not (math.isfinite(minimum) and math.isfinite(maximum) and minimum < maximum):
        raise ValueError(f"maximum must be a number above minimum {minimum!r}; got {maximum!r}.")
    span = maximum - minimum
    power = 10.0 ** math.floor(math.log10(span / (MOST_NUMBERS - 1)))
    step = next(
        (size * power for size in _STEPS if span / (size * power) <= MOST_NUMBERS - 1 + 1e-9), 10 * power
    )
    if span > 1 and all(float(end).is_integer() for end in (minimum, maximum)):
        step = max(step, 1)
    between = [
        round(multiple * step, 10)
        for multiple in range(math.ceil(minimum / step - 1e-9), math.floor(maximum / step + 1e-9) + 1)
    ]
    # A round number too near to an end would be printed over it.
    inside = [at for at in between if step / 2 < at - minimum and step / 2 < maximum - at]
    return [_whole(at) for at in (minimum, *inside, maximum)]


def thermometer(
    minimum: float,
    maximum: float,
    *,
    width: float,
    height: float,
    ends: tuple[str, str],
    size: float = 3.4,
    title: str = "Fear thermometer",
) -> str:
    """Draw the thermometer as inline SVG.

    A glass tube over a filled bulb, with a number and a line for each point; beside the tube a wedge
    that grows with the fear, so that it reads without color and without knowing the numbers.

    Parameters
    ----------
    minimum, maximum : float
        Ends of the child's scale.
    width, height : float
        In mm.
    ends : tuple of str
        Words at the lower and the upper end.
    size : float
        Height of the numbers, in mm.
    title : str
        What it is, for those who do not see it.

    Returns
    -------
    str
        With a title for screen readers.
    """
    numbers = numbers_on(minimum, maximum)
    words = size * 0.82
    bulb = min(5.2, width / 7)
    tube = bulb * 0.62
    center = width * 0.42
    cap = words + 1.4 + tube
    top, bottom = cap + 0.8, height - words - 2 - 2 * bulb
    left, right = center - tube, center + tube
    # Numbers shrink before they touch.
    nearest = min(high - low for low, high in pairwise(numbers)) / (maximum - minimum) * (bottom - top)
    size = min(size, 0.98 * nearest)

    def y(value: float) -> float:
        return bottom - (value - minimum) / (maximum - minimum) * (bottom - top)

    bulb_at = bottom + bulb * 1.05
    parts = [
        f'<svg class="thermometer" role="img" viewBox="0 0 {_n(width)} {_n(height)}" '
        f'width="{_n(width)}mm" height="{_n(height)}mm">',
        f"<title>{escape(title)} from {numbers[0]:g}, {ends[0]}, to {numbers[-1]:g}, {ends[1]}</title>",
        # The wedge, from a point at the least fear to its full width at the most.
        f'<path d="M{_n(left - 2.2)} {_n(bottom)} L{_n(left - 2.2)} {_n(top)} '
        f'L{_n(max(left - 2.2 - width * 0.16, 0.5))} {_n(top)} Z" fill="#b9c2c6"/>',
        f'<path d="M{_n(left)} {_n(bulb_at - bulb * 0.8)} L{_n(left)} {_n(cap)} '
        f"A{_n(tube)} {_n(tube)} 0 0 1 {_n(right)} {_n(cap)} L{_n(right)} {_n(bulb_at - bulb * 0.8)} "
        f'A{_n(bulb)} {_n(bulb)} 0 1 1 {_n(left)} {_n(bulb_at - bulb * 0.8)} Z" '
        'fill="#fff" stroke="#000" stroke-width=".45"/>',
        f'<circle cx="{_n(center)}" cy="{_n(bulb_at)}" r="{_n(bulb - 0.9)}" fill="#3d4a50"/>',
        f'<path d="M{_n(center)} {_n(bulb_at)} L{_n(center)} {_n(y(minimum))}" '
        f'stroke="#3d4a50" stroke-width="{_n(tube)}"/>',
    ]
    for value in numbers:
        at = y(value)
        end = value in (numbers[0], numbers[-1])
        parts.append(
            f'<path d="M{_n(left)} {_n(at)} H{_n(right + 2)}" stroke="#000" '
            f'stroke-width="{".5" if end else ".3"}"/>'
            f'<text x="{_n(right + 3)}" y="{_n(at + size * 0.36)}" font-size="{_n(size)}" '
            f'font-weight="{700 if end else 400}">{value:g}</text>'
        )
    parts += [
        f'<text x="{_n(center)}" y="{_n(words)}" font-size="{_n(words)}" '
        f'text-anchor="middle">{ends[1]}</text>',
        f'<text x="{_n(center)}" y="{_n(height - 0.9)}" font-size="{_n(words)}" '
        f'text-anchor="middle">{ends[0]}</text>',
        "</svg>",
    ]
    return "".join(parts)


def _whole(value: float) -> float:
    return int(value) if float(value).is_integer() else value


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
