"""The guard, last of all stages: what leaves it is finite and within full scale, whatever comes."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.numeric.safe_math import clamp, finite
from instrument.engine.parameters import PATCH, PATCH_BASE, offset_in

KNEE = PATCH_BASE + offset_in(PATCH, "output.knee")
LIMIT = PATCH_BASE + offset_in(PATCH, "output.limit")


@inlined
def guard(value, knee, limit):
    """Return value unchanged up to the knee, bent towards the limit above it, never beyond.

    Above the knee: knee + span * over / (span + over), with over the excess and span = limit - knee;
    its slope begins at 1, so there is no edge.
    """
    top = clamp(limit, 0.0, 1.0)
    corner = clamp(knee, 0.0, top)
    v = finite(value)
    size = abs(v)
    over = size - corner
    span = top - corner
    bent = corner + span * over / (span + over)
    bent = bent if bent < top else top
    bent = bent if v > 0.0 else -bent
    return v if size <= corner else bent


@compiled
def run_guard(signal, knee, limit, n):
    """Guard n samples of one channel in place."""
    for i in range(n):
        signal[i] = guard(signal[i], knee[i], limit[i])
