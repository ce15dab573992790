"""Mix: how the layers of an instance share the one beam, added together or taking turns."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, merged
from instrument.engine.compiling.units import DRAW, FORMS_UNIT
from instrument.engine.memory.machine import address_of
from instrument.engine.modulators.links import store_layer_row, store_layers
from instrument.engine.notes.layer_voices import MODE, MODES, OFF
from instrument.engine.notes.voice_rows import run_voices
from instrument.engine.numeric.safe_math import choice, finite
from instrument.engine.parameters import LAYER, LAYER_SIZE, LAYERS, PATCH, PATCH_BASE, offset_in
from instrument.engine.signal.draw import sounds
from instrument.engine.signal.frame_clock import run_frame_clock
from instrument.engine.signal.place import run_place, run_spins
from instrument.engine.signal.source_table import SOURCE_NONE, SOURCE_PATH

_LEVEL = offset_in(LAYER, "level")
_MODE = PATCH_BASE + offset_in(PATCH, "mix.mode")

_draw = DRAW.call
_form = FORMS_UNIT.call

SUM, TURNS = 0, 1


@compiled
def _add_layer(mix, signal, level, first, last):
    # A layer gone to nan or infinity must not take the others with it.
    for i in range(first, last):
        mix[i] = mix[i] + finite(signal[i] * level[i])


@compiled
def _fill_level(s, layer, out, presence, first, last):
    # Of the layer, and of what its voices draw together.
    level = s.rows[layer * LAYER_SIZE + _LEVEL]
    mode = layer * LAYER_SIZE + MODE
    if s.moving[mode] == 0 and choice(s.rows[mode, 0], MODES) == OFF:
        for i in range(first, last):
            out[i] = level[i]
    else:
        for i in range(first, last):
            out[i] = level[i] * presence[i]


@merged
def _run_layer(m, p, s, layer, first, last, one_round):
    _draw(address_of(m), s.number, np.int64(layer), first, last, np.int64(one_round))
    stop = m.drawn
    # Unsigned bounds: a signed index might be negative, and checking for that keeps loops from vectorising.
    a = np.uint64(first)
    b = np.uint64(stop)
    if p.layers[layer].n_forms > 0:
        _form(address_of(m), s.number, layer, first, stop)
    run_place(m, s, layer, a, b)
    level = m.levels[layer]
    _fill_level(s, layer, level, m.presence[layer], a, b)
    _add_layer(m.scratch_mix_x, m.scratch_x, level, a, b)
    _add_layer(m.scratch_mix_y, m.scratch_y, level, a, b)
    if p.feeds_back != 0:
        store_layer_row(s, layer, 0, m.scratch_x, level, a, b)
        store_layer_row(s, layer, 1, m.scratch_y, level, a, b)
    return stop


@merged
def _mix_sum(m, p, s, first, last):
    for layer in range(LAYERS):
        if p.layers[layer].source != SOURCE_NONE:
            _run_layer(m, p, s, layer, first, last, False)


@compiled
def _layer_from(p, s, layer, at):
    # The layer itself, or the next one that draws at this sample, or -1.
    for k in range(LAYERS):
        candidate = (layer + k) % LAYERS
        if p.layers[candidate].source != SOURCE_NONE and sounds(s, candidate, at):
            return candidate
    return -1


@merged
def _mix_turns(m, p, s, first, last):
    at = first
    while at < last:
        layer = _layer_from(p, s, s.turn, at)
        if layer < 0:
            at += 1  # no layer has a note to sound: this sample stays in the middle
            continue
        stop = _run_layer(m, p, s, layer, at, last, True)
        s.turn = layer + 1 if m.round_over != 0 else layer
        at = stop


@merged
def run_mix(m, p, s, n):
    """Fill mix_x and mix_y with all layers of an instance for n samples.

    In: all rows of the chunk. Out: scratch_mix_x and scratch_mix_y; angles, voices and pens moved on.
    Never: let a layer that has gone to nan or infinity take the others with it.
    """
    for i in range(n):
        m.scratch_mix_x[i] = 0.0
        m.scratch_mix_y[i] = 0.0
    for layer in range(LAYERS):
        if p.layers[layer].source != SOURCE_NONE:
            run_spins(m, s, layer, n)
            run_voices(m, s, layer, np.int64(n))
            if p.layers[layer].frames > 1 and p.layers[layer].source == SOURCE_PATH:
                run_frame_clock(m, p, s, layer, np.int64(n))
    mode_row = s.rows[_MODE]
    first = np.int64(0)
    while first < n:
        mode = choice(mode_row[first], 2)
        last = first + 1
        if s.moving[_MODE] == 0:
            last = np.int64(n)
        else:
            while last < n and choice(mode_row[last], 2) == mode:
                last += 1
        if mode == TURNS:
            _mix_turns(m, p, s, first, last)
        else:
            _mix_sum(m, p, s, first, last)
        first = last
    if p.feeds_back != 0:
        store_layers(m, s, n)
