"""Outcomes that take the difficulty of the step into account."""
