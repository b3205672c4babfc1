"""Whether the ratings can be trusted: agreement, fidelity, missing data."""
