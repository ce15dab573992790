"""Starting an instance: a program's values laid out for playing, fresh or carrying on from another."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiled import compiled, inlined
from instrument.engine.layout import DELAY, MODULATOR_NONE, SHORT, SOURCE_NONE, STEP_BASE
from instrument.engine.parameters import (
    COUNT,
    LAYER,
    LAYER_BASE,
    LAYER_SIZE,
    LAYERS,
    LINK_BASE,
    LINK_SIZE,
    LIVE_TERMS,
    MODULATOR_BASE,
    MODULATOR_SIZE,
    MODULATORS,
    PATCH_BASE,
    offset_in,
)
from instrument.engine.ramp import settle

_TERMS = offset_in(LAYER, "source.x.1.amplitude")
_RATIO = 1


@inlined
def _playable(p, layer, axis):
    count = np.int64(p.layers[layer].terms[axis])
    return count if count < LIVE_TERMS else np.int64(LIVE_TERMS)


@compiled
def _lay_out(p, s, first, last):
    for index in range(first, last):
        settle(s, index, p.base[index])


@compiled
def _lay_out_layer(p, s, layer):
    # The terms come last among a layer's rows; only those in use are worth their memory traffic.
    base = LAYER_BASE + layer * LAYER_SIZE
    _lay_out(p, s, base, base + _TERMS)
    for axis in range(3):
        first = base + _TERMS + axis * LIVE_TERMS * 3
        count = _playable(p, layer, axis)
        _lay_out(p, s, first, first + count * 3)


@compiled
def _clear_past(s, layer):
    for axis in range(2):
        s.held[layer, axis] = 0.0
        for i in range(SHORT):
            s.past[layer, axis, i] = 0.0


@compiled
def _reset_layer(p, s, layer):
    s.pen[layer] = np.uint64(0)
    s.pen_wrapped[layer] = 0.0
    s.last_position[layer] = 0.0
    s.rounds[layer] = 0
    _clear_past(s, layer)
    for axis in range(3):
        s.spin[layer, axis] = np.uint64(0)
        for term in range(p.layers[layer].terms[axis]):
            s.carry[layer, axis, term] = 0.0


@compiled
def _carry_layer(p, s, before, old, layer):
    # Only what the old program really used: anything else is left from programs long gone.
    s.pen[layer] = old.pen[layer]
    s.pen_wrapped[layer] = old.pen_wrapped[layer]
    s.last_position[layer] = old.last_position[layer]
    s.rounds[layer] = old.rounds[layer]
    for axis in range(2):
        s.held[layer, axis] = old.held[layer, axis]
        for i in range(SHORT):
            s.past[layer, axis, i] = old.past[layer, axis, i]
    for axis in range(3):
        s.spin[layer, axis] = old.spin[layer, axis]
        for term in range(p.layers[layer].terms[axis]):
            used = term < before.layers[layer].terms[axis]
            s.carry[layer, axis, term] = old.carry[layer, axis, term] if used else 0.0


@compiled
def _remember_ratios(p, s, layer):
    for axis in range(3):
        for term in range(_playable(p, layer, axis)):
            at = LAYER_BASE + layer * LAYER_SIZE + _TERMS + (axis * LIVE_TERMS + term) * 3 + _RATIO
            s.last_ratio[layer, axis, term] = p.base[at]


@compiled
def _carry_output(s, old, playing):
    # The output section is one and the same for all programs: its filters and delays go on.
    s.delay_at = old.delay_at if playing else np.int64(0)
    for channel in range(2):
        s.dc_in[channel] = old.dc_in[channel] if playing else 0.0
        s.dc_out[channel] = old.dc_out[channel] if playing else 0.0
        for i in range(DELAY):
            s.delay[channel, i] = old.delay[channel, i] if playing else 0.0


@compiled
def _start_layer(p, s, before, old, layer, carry):
    _lay_out_layer(p, s, layer)
    if carry and before.layers[layer].source != SOURCE_NONE:
        _carry_layer(p, s, before, old, layer)
    else:
        _reset_layer(p, s, layer)
    _remember_ratios(p, s, layer)


@compiled
def _start_control(s, old, k, goes_on):
    state = s.controls[k]
    state.at = old.controls[k].at if goes_on else -1.0
    state.value = old.controls[k].value if goes_on else 0.0
    state.heard = old.controls[k].heard if goes_on else np.int64(0)
    state.holds = old.controls[k].holds if goes_on else 0
    state.down = old.controls[k].down if goes_on else 0


@compiled
def _start_modulator(p, s, before, old, number, carry):
    first = MODULATOR_BASE + number * MODULATOR_SIZE
    _lay_out(p, s, first, first + MODULATOR_SIZE)
    goes_on = carry and before.modulators[number].kind != MODULATOR_NONE
    s.modulator[number] = old.modulator[number] if goes_on else np.uint64(0)


@compiled
def start_instance(m, p, s, old, slot, carry):
    """Lay out a program in instance s; with `carry` its phases go on from instance `old`."""
    playing = old.slot >= 0
    before = m.bank[max(old.slot, 0)]
    carry = carry and playing
    for index in range(COUNT):
        s.moving[index] = 0
        s.linked[index] = 0
        s.value[index] = p.base[index]
        s.target[index] = p.base[index]
    for k in range(p.n_steps):
        if p.schedule[k].operation == STEP_BASE:
            s.linked[p.schedule[k].index] = 1
    s.n_ramping = 0
    for k in range(p.n_controls):
        _start_control(s, old, k, carry and k < before.n_controls)
    s.slot = slot
    s.turn = old.turn if carry else 0
    s.began = old.began if carry else m.time
    for layer in range(LAYERS):
        if p.layers[layer].source != SOURCE_NONE:
            _start_layer(p, s, before, old, layer, carry)
        else:
            _clear_past(s, layer)
    for number in range(MODULATORS):
        if p.modulators[number].kind != MODULATOR_NONE:
            _start_modulator(p, s, before, old, number, carry)
    _lay_out(p, s, LINK_BASE, LINK_BASE + p.n_links * LINK_SIZE)
    _lay_out(p, s, PATCH_BASE, COUNT)
    _carry_output(s, old, playing)
