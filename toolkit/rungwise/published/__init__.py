"""Every number of the literature that this library is held against, in one list."""
