"""Scripts that are run from a clone."""
