"""Results drawn on matplotlib axes; nothing here computes a statistic."""
