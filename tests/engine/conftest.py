"""What all tests of the engine share."""

from __future__ import annotations

from hypothesis import settings

# The first example of a test compiles its probe, and a busy machine is slow now and then; neither is a fault.
settings.register_profile("compiled", deadline=None)
settings.load_profile("compiled")
