"""From key numbers to pitches: what a program's tuning adds to equal temperament, and the reference pitch."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.memory.layout import KEYS
from instrument.engine.numeric.safe_math import clamp, exp2

A4_KEY = 69.0
"""Key number of A4, 440 Hz. MIDI 1.0 Detailed Specification, key numbers; pitch by ISO 16:1975."""

A4_HERTZ = 440.0
"""Reference at which a pen's frequency is as it is written. ISO 16:1975."""

_LAST = KEYS - 1


@inlined
def key_to_ratio(key):
    """Return the frequency ratio of a key number to A4 in twelve-tone equal temperament."""
    return exp2((key - A4_KEY) / 12.0)


@compiled
def tuned(p, key):
    """Return the pitch of a key number, in semitones; between two keys on the straight line from one to the other.

    Beyond the keys that there are, what the last one is away from equal temperament goes on.
    """
    if p.tuned == 0:
        return key
    place = clamp(key, 0.0, np.float64(_LAST))
    k = min(np.int64(place), np.int64(_LAST - 1))
    f = place - k
    # A key of no pitch must not reach its neighbours, as 0 times infinity would.
    away = p.tuning[k]
    if f == 1.0:
        away = p.tuning[k + 1]
    elif f > 0.0:
        away = away + f * (p.tuning[k + 1] - away)
    return key + away
