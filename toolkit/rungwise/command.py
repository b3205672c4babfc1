"""The command line."""

from __future__ import annotations


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and give its exit code."""
    raise NotImplementedError
