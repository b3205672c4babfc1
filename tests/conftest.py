"""Settings of every test."""

from hypothesis import settings

# How long an example may take says something about the machine, nothing about the code.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
