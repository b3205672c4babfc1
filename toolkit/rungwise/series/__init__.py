"""From a caseload to time series by phase: `PhaseSeries` for one, `SeriesBatch` for many."""
