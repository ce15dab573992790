"""What all tests of patches share."""

from __future__ import annotations

from hypothesis import settings

# A busy machine is slow now and then, which is no fault of a patch.
settings.register_profile("patch", deadline=None)
settings.load_profile("patch")
