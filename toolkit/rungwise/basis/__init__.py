"""Numbers and words everything else stands on: results, errors, intervals, exact null distributions."""
