"""Single-case statistics and what may be said about one child."""
