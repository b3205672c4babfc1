"""Published values and ours, side by side."""

from __future__ import annotations

from rungwise.published.check import Check
from rungwise.published.listing import checks, topics


def about(example: str) -> list[Check]:
    """Give every outside value of one data set, of whatever topic."""
    listed = [check for topic in topics() for check in checks(topic)]
    return [check for check in listed if check.example.lower().startswith(example.lower())]


def show(example: str) -> None:
    """Print every outside value of one data set beside ours."""
    found = about(example)
    width = max(len(check.statistic) for check in found)
    last = ""
    for check in found:
        origin = f"{check.example}. {check.source} ({check.standing})."
        if origin != last:
            print(origin)
            last = origin
        word = "agrees" if check.agrees() else "DIFFERS"
        line = f"  {check.statistic:{width}s}  outside {check.published:<12.10g} ours {check.ours():<14.9g}"
        print(f"{line} {word}  {check.note}".rstrip())
