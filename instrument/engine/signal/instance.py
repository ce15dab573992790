"""Starting an instance: a program's values laid out for playing, fresh or carrying on from another."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.compiling.units import NOTES, NOTES_START
from instrument.engine.forms.state import (
    END_OF_FORM_ROWS,
    FIRST_FORM_ROW,
    carry_forms,
    lay_out_forms,
    reset_forms,
)
from instrument.engine.memory.layout import (
    CELLS,
    DELAY,
    FEEDBACK_DELAY_SAMPLES,
    MODULATOR_ENVELOPE,
    MODULATOR_FOLLOWER,
    MODULATOR_FORMULA,
    MODULATOR_GESTURE,
    MODULATOR_KINDS,
    MODULATOR_NONE,
    MODULATOR_NOTE,
    MODULATOR_RANDOM,
    MODULATOR_STEPS,
    SOURCE_NONE,
    STEP_BASE,
)
from instrument.engine.memory.machine import address_of
from instrument.engine.modulators.cycles import REST
from instrument.engine.modulators.links import carry_delayed_link, reset_delayed_link
from instrument.engine.modulators.tempo import carry_tempo, reset_tempo
from instrument.engine.parameters import (
    COUNT,
    LAYER,
    LAYER_BASE,
    LAYER_SIZE,
    LAYERS,
    LINK_BASE,
    LINK_SIZE,
    LIVE_TERMS,
    MODULATOR,
    MODULATOR_BASE,
    MODULATOR_SIZE,
    MODULATORS,
    PATCH_BASE,
    offset_in,
)
from instrument.engine.signal.ramp import settle

_tell_layers = NOTES.call

_TERMS = offset_in(LAYER, "source.x.1.amplitude")
_GATE = offset_in(LAYER, "source.gate")
_RATIO = 1
_RATE = offset_in(MODULATOR, "rate")

_OWN_ROWS = {
    MODULATOR_STEPS: ("smooth", "seed"),
    MODULATOR_RANDOM: ("smooth", "seed"),
    MODULATOR_NOTE: ("value", "whose"),
    MODULATOR_FOLLOWER: ("of", "release"),
    MODULATOR_ENVELOPE: ("attack", "loop"),
    MODULATOR_GESTURE: ("hand", "clear"),
    MODULATOR_FORMULA: ("a", "h"),
}
"""First and last row that a kind of modulator has beside the common ones."""

_COMMON = offset_in(MODULATOR, "every") + 1
# Arrays, since a tuple that is asked for a place it has not raises an error, which compiled code must not know.
_FIRST = np.array([offset_in(MODULATOR, _OWN_ROWS[k][0]) if k in _OWN_ROWS else 0 for k in range(len(MODULATOR_KINDS))])
_BEHIND = np.array(
    [offset_in(MODULATOR, _OWN_ROWS[k][1]) + 1 if k in _OWN_ROWS else 0 for k in range(len(MODULATOR_KINDS))]
)


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
    # The terms come last among a layer's rows; only those in use, and
    # of the forms only those listed, are worth their memory traffic.
    base = LAYER_BASE + layer * LAYER_SIZE
    _lay_out(p, s, base, base + FIRST_FORM_ROW)
    lay_out_forms(p, s, layer)
    _lay_out(p, s, base + END_OF_FORM_ROWS, base + _TERMS)
    for axis in range(3):
        first = base + _TERMS + axis * LIVE_TERMS * 3
        count = _playable(p, layer, axis)
        _lay_out(p, s, first, first + count * 3)


@compiled
def _clear_history(s, layer):
    for axis in range(2):
        s.held[layer, axis] = 0.0
        for i in range(FEEDBACK_DELAY_SAMPLES):
            s.layer_history[layer, axis, i] = 0.0


@compiled
def _reset_layer(p, s, layer):
    s.pen[layer] = np.uint64(0)
    s.pen_wrapped[layer] = 0.0
    s.last_position[layer] = 0.0
    s.rounds[layer] = 0
    s.gate_level[layer] = 0.0
    s.gate_gain[layer] = 0.0 if p.base[LAYER_BASE + layer * LAYER_SIZE + _GATE] > 0.0 else 1.0
    _clear_history(s, layer)
    reset_forms(s, layer)
    for axis in range(3):
        s.spin[layer, axis] = np.uint64(0)
        for term in range(p.layers[layer].terms[axis]):
            s.carry[layer, axis, term] = 0.0


@compiled
def _carry_layer(m, p, s, before, old, layer):
    # Only what the old program really used: anything else is left from programs long gone.
    s.pen[layer] = old.pen[layer]
    s.pen_wrapped[layer] = old.pen_wrapped[layer]
    s.last_position[layer] = old.last_position[layer]
    s.rounds[layer] = old.rounds[layer]
    carry_forms(m, p, s, old, layer)
    s.gate_level[layer] = old.gate_level[layer]
    s.gate_gain[layer] = old.gate_gain[layer]
    for axis in range(2):
        s.held[layer, axis] = old.held[layer, axis]
        for i in range(FEEDBACK_DELAY_SAMPLES):
            s.layer_history[layer, axis, i] = old.layer_history[layer, axis, i]
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
def _start_layer(m, p, s, before, old, layer, carry):
    _lay_out_layer(p, s, layer)
    if carry and before.layers[layer].source != SOURCE_NONE:
        _carry_layer(m, p, s, before, old, layer)
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
def _reset_modulator(p, s, number):
    state = s.modulator[number]
    state.phase = state.origin_part = np.uint64(0)
    state.cycle = state.origin_whole = state.step_cycle = state.elapsed = 0
    state.started = state.held = state.sync = state.stage = state.played = state.cleared = 0
    state.level = state.start = state.target = 0.0
    state.step = -1
    state.notes = s.notes
    # A rate that rests from the beginning: a cycle in beats is locked at once.
    state.rate = p.base[MODULATOR_BASE + number * MODULATOR_SIZE + _RATE]
    state.rest = REST


@compiled
def _carry_modulator(s, old, number):
    state, then = s.modulator[number], old.modulator[number]
    state.phase, state.cycle, state.rate, state.rest = then.phase, then.cycle, then.rate, then.rest
    state.origin_whole, state.origin_part = then.origin_whole, then.origin_part
    state.started, state.held, state.sync, state.notes = then.started, then.held, then.sync, then.notes
    state.stage, state.level, state.start, state.target = then.stage, then.level, then.start, then.target
    state.elapsed, state.step, state.step_cycle = then.elapsed, then.step, then.step_cycle
    state.played, state.cleared = then.played, then.cleared


@compiled
def _start_gesture(m, p, s, before, old, number, goes_on):
    cells = s.gestures[p.modulators[number].gesture]
    if goes_on and before.modulators[number].kind == MODULATOR_GESTURE:
        then = old.gestures[before.modulators[number].gesture]
        for k in range(CELLS):
            cells[k] = then[k]
    elif p.modulators[number].count >= CELLS:
        for k in range(CELLS):
            cells[k] = m.pool[p.modulators[number].table + k]
    else:
        for k in range(CELLS):
            cells[k] = 0.0


@compiled
def _start_modulator(m, p, s, before, old, number, carry):
    first = MODULATOR_BASE + number * MODULATOR_SIZE
    kind = p.modulators[number].kind
    _lay_out(p, s, first, first + _COMMON)
    _lay_out(p, s, first + _FIRST[kind], first + _BEHIND[kind])
    goes_on = carry and before.modulators[number].kind == kind
    if goes_on:
        _carry_modulator(s, old, number)
    else:
        _reset_modulator(p, s, number)
    if kind == MODULATOR_GESTURE:
        _start_gesture(m, p, s, before, old, number, goes_on)


@compiled
def _start_links(p, s, before, old, carry):
    _lay_out(p, s, LINK_BASE, LINK_BASE + p.n_links * LINK_SIZE)
    for number in range(p.n_links):
        if p.links[number].delayed != 0:
            if carry:
                carry_delayed_link(p, s, before, old, number)
            else:
                reset_delayed_link(p, s, number)


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
    s.began = old.began if carry else m.time - m.still_time
    s.latest = 0
    s.notes = old.notes if carry else 0
    s.voice_order = old.voice_order if carry else 0
    if playing:
        carry_tempo(s.tempo, old.tempo)
    else:
        reset_tempo(s.tempo)
    for layer in range(LAYERS):
        if p.layers[layer].source != SOURCE_NONE:
            _start_layer(m, p, s, before, old, layer, carry)
        else:
            _clear_history(s, layer)
        # Behind all else: held notes begin at once, by what the layer now is.
        goes_on = carry and before.layers[layer].source != SOURCE_NONE
        voices_from = np.int64(old.number) if goes_on else np.int64(-1)
        _tell_layers(address_of(m), np.int64(s.number), np.int64(NOTES_START), np.int64(layer), voices_from)
    for number in range(MODULATORS):
        if p.modulators[number].kind != MODULATOR_NONE:
            _start_modulator(m, p, s, before, old, number, carry)
    _start_links(p, s, before, old, carry)
    _lay_out(p, s, PATCH_BASE, COUNT)
    _carry_output(s, old, playing)
