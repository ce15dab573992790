"""Starting the forms of a layer: their parameters laid out, and what they remember reset or carried on."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.forms.delays_and_filters import DELAY_SECONDS, HIGH, LONGEST_DELAY
from instrument.engine.forms.table import FORM_TABLE
from instrument.engine.memory.layout import DELAY_LINE, FORM_KINDS
from instrument.engine.numeric.safe_math import clamp
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in
from instrument.engine.signal.ramp import settle

_COUNTS = np.array([len(rows) for rows in FORM_TABLE.values()], np.int64)

FIRST_FORM_ROW = offset_in(LAYER, f"form.{FORM_KINDS[0]}.{FORM_TABLE[FORM_KINDS[0]][0].name}")

END_OF_FORM_ROWS = FIRST_FORM_ROW + int(_COUNTS.sum())
"""Where the rows of forms end among those of a layer."""

_FIRSTS = FIRST_FORM_ROW + np.cumsum(_COUNTS) - _COUNTS

_MASK = np.int64(DELAY_LINE - 1)

_DELAY = FORM_KINDS.index("delay")
_NOISE = FORM_KINDS.index("noise")
_CHOP = FORM_KINDS.index("chop")
_LOWPASS = FORM_KINDS.index("lowpass")
_HIGHPASS = FORM_KINDS.index("highpass")


@compiled
def lay_out_forms(p, s, layer):
    """Fill the rows of the forms that the layer lists; the others are read by nobody."""
    base = layer * LAYER_SIZE
    for k in range(p.layers[layer].n_forms):
        kind = p.layers[layer].forms[k]
        first = base + _FIRSTS[kind]
        for index in range(first, first + _COUNTS[kind]):
            settle(s, index, p.base[index])


@compiled
def reset_forms(s, layer):
    """Let a layer's forms remember nothing; a delay line is only counted as empty."""
    s.form_delay_at[layer] = 0
    s.form_delay_count[layer] = 0
    s.form_noise[layer] = np.uint64(0)
    for axis in range(3):
        s.form_held[layer, axis] = 0.0
        for which in range(2):
            for k in range(2):
                s.form_filters[layer, which, axis, k] = 0.0


@inlined
def _lists(p, layer, kind):
    # Whether the layer passes a form.
    found = False
    for k in range(p.layers[layer].n_forms):
        if p.layers[layer].forms[k] == kind:
            found = True
    return found


@compiled
def _reach(m, p, layer):
    # Samples that the delays of a program are set to look back.
    longest = 0.0
    for axis in range(3):
        seconds = p.base[layer * LAYER_SIZE + DELAY_SECONDS + axis]
        longest = max(longest, clamp(seconds * m.rate, 0.0, LONGEST_DELAY))
    return np.int64(longest) + 2


@compiled
def _carry_delay(m, p, s, old, layer):
    # A whole delay line is long to copy within a callback. Twice of what the delays are set to look back is taken
    # along, so that one made longer later finds as much again before it falls silent for a moment.
    count = min(old.form_delay_count[layer], 2 * _reach(m, p, layer), np.int64(DELAY_LINE))
    at = old.form_delay_at[layer]
    s.form_delay_at[layer] = at
    s.form_delay_count[layer] = count
    first = (at - count) & _MASK
    whole = min(count, DELAY_LINE - first)
    for axis in range(3):
        new_line = s.form_delay[layer, axis]
        old_line = old.form_delay[layer, axis]
        for i in range(first, first + whole):
            new_line[i] = old_line[i]
        for i in range(count - whole):
            new_line[i] = old_line[i]


@compiled
def carry_forms(m, p, s, old, layer):
    """Let the forms that a layer lists go on from what they remember in another instance.

    What is not listed remembers nothing, so that it has nothing old to tell when it comes back.
    """
    reset_forms(s, layer)
    if _lists(p, layer, _DELAY):
        _carry_delay(m, p, s, old, layer)
    if _lists(p, layer, _NOISE):
        s.form_noise[layer] = old.form_noise[layer]
    if _lists(p, layer, _CHOP):
        for axis in range(3):
            s.form_held[layer, axis] = old.form_held[layer, axis]
    for which in range(2):
        if _lists(p, layer, _HIGHPASS if which == HIGH else _LOWPASS):
            for axis in range(3):
                for k in range(2):
                    s.form_filters[layer, which, axis, k] = old.form_filters[layer, which, axis, k]
