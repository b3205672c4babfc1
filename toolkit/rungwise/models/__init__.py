"""One likelihood engine: generalized least squares and two-level REML with AR(1) errors."""
