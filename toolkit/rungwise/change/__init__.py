"""Change between two occasions: reliable change, cutoffs, goals."""
