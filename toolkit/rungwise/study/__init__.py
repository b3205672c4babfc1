"""Several series together: multilevel models, between-case effects, synthesis, planning."""
