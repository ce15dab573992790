"""What layers and modulators read of one another against the order of evaluation: always SHORT samples late."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.memory.layout import CHUNK, SHORT
from instrument.engine.numeric.safe_math import finite
from instrument.engine.parameters import LAYERS


@compiled
def remember(s, layer, axis, signal, level, first, last):
    """Keep what other layers read of a layer; one that waits for its turn stays where it has stopped."""
    row = s.layer_rows[layer, axis]
    for i in range(first, last):
        row[i] = finite(signal[i] * level[i])
    if last > first:
        held = row[last - np.uint64(1)]
        s.held[layer, axis] = held
        for i in range(last, np.uint64(CHUNK)):
            row[i] = held


@compiled
def begin_reading(m, s, n):
    """Fill `late_rows` for n samples, and let every layer rest where it is until it draws."""
    # Slot t modulo SHORT holds the sample of time t - SHORT until that of time t takes its place.
    for layer in range(LAYERS):
        for axis in range(2):
            for i in range(n):
                s.late_rows[layer, axis, i] = s.past[layer, axis, (m.time + i) % SHORT]
                s.layer_rows[layer, axis, i] = s.held[layer, axis]


@compiled
def end_reading(m, s, n):
    """Keep the chunk's n samples for the time SHORT later."""
    for layer in range(LAYERS):
        for axis in range(2):
            for i in range(n):
                s.past[layer, axis, (m.time + i) % SHORT] = s.layer_rows[layer, axis, i]
