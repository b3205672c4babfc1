"""Published values and ours, side by side."""

from __future__ import annotations

from rungwise.published.real_series import CHECKS


def show(example: str) -> None:
    """Print every outside value of one example beside ours."""
    checks = [check for check in CHECKS if check.example == example]
    width = max(len(check.statistic) for check in checks)
    for check in checks:
        ours = check.ours()
        word = "agrees" if check.agrees() else "DIFFERS"
        print(f"{check.statistic:{width}s}  published {check.published:<12g} ours {ours:<12.8g} {word}")
        print(f"{'':{width}s}  {check.source} ({check.standing}). {check.note}".rstrip())
