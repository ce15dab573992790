"""The compiled core: one function renders every sample, live and offline, from plain arrays."""
