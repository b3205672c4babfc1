"""The quarterly outcome audit: who was there, what came of it, how far to trust it."""
