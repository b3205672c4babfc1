"""Notebooks run with parameters and turned into pages and tables."""
