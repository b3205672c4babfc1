"""One generator of probes, ratings and declines, for error rates, power and the demo practice."""
