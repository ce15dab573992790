"""Starting an instance: a program's values laid out for playing, fresh or carrying on from another."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined, kernel_named, one_of
from instrument.engine.compiling.units import NOTES, NOTES_START
from instrument.engine.forms.run_forms import END_OF_FORM_ROWS, FIRST_FORM_ROW, lay_out_forms, start_forms
from instrument.engine.memory.layout import DELAY, FEEDBACK_DELAY_SAMPLES, STEP_BASE
from instrument.engine.memory.machine import address, address_of, clear_words, copy_words
from instrument.engine.memory.records import MODULATOR_STATE
from instrument.engine.modulators.cycles import REST
from instrument.engine.modulators.links import carry_delayed_link, reset_delayed_link
from instrument.engine.modulators.modulator_table import COMMON, MODULATOR_NONE, MODULATOR_TABLE
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
    Parameter,
    offset_in,
)
from instrument.engine.signal.frame_clock import carry_clip, reset_clip
from instrument.engine.signal.ramp import settle
from instrument.engine.signal.source_table import OWN_ROWS, SOURCE_NONE, SOURCE_STATE, SOURCE_TABLE

_tell_layers = NOTES.call

_TERMS = offset_in(LAYER, "source.x.1.amplitude")
_RATIO = 1
_RATE = offset_in(MODULATOR, "rate")

_start_kernel = one_of(
    {
        k: kernel_named(f"modulators.{kind.start}")
        for k, kind in enumerate(MODULATOR_TABLE.values(), start=1)
        if kind.start
    }
)
_start_source = one_of(
    {k: kernel_named(f"signal.{kind.start}") for k, kind in enumerate(SOURCE_TABLE.values()) if kind.start}
)
_SOURCE_COUNT = len(SOURCE_TABLE)
_SOURCE_WORDS = SOURCE_STATE.itemsize // 8
_MODULATOR_WORDS = MODULATOR_STATE.itemsize // 8


def _own_rows(parameters: tuple[Parameter, ...]) -> list[int]:
    return [offset_in(MODULATOR, row.name) for row in parameters if row not in COMMON]


# Rows that each kind of modulator has beside the common ones, and how many. Arrays, since a tuple that is asked for a
# place it has not raises an error, which compiled code must not know.
_COMMON_ROWS = len(COMMON)
_OWN = [[], *(_own_rows(kind.parameters) for kind in MODULATOR_TABLE.values())]
_OWN_COUNTS = np.array([len(rows) for rows in _OWN], np.int64)
_OWN_ROWS = np.array([rows + [0] * (max(map(len, _OWN)) - len(rows)) for rows in _OWN], np.int64)
# The same of each kind of source, by its place behind the forms.
_DRAWN_COUNTS = np.array([len(rows) for rows in OWN_ROWS], np.int64)
_DRAWN_ROWS = np.array([[*rows, *[0] * (max(map(len, OWN_ROWS)) - len(rows))] for rows in OWN_ROWS], np.int64)


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
    # The terms come last among a layer's rows; only those in use, of the forms
    # only those listed, and of the sources only the one drawn are worth their memory traffic.
    base = LAYER_BASE + layer * LAYER_SIZE
    _lay_out(p, s, base, base + FIRST_FORM_ROW)
    lay_out_forms(p, s, layer)
    kind = np.int64(p.layers[layer].source)
    for k in range(_DRAWN_COUNTS[kind]):
        index = base + END_OF_FORM_ROWS + _DRAWN_ROWS[kind, k]
        settle(s, index, p.base[index])
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
def _reset_layer(m, p, s, layer):
    s.pen[layer] = np.uint64(0)
    s.pen_wrapped[layer] = 0.0
    s.last_position[layer] = 0.0
    s.rounds[layer] = 0
    s.side[layer] = 0
    reset_clip(s, layer)
    _clear_history(s, layer)
    clear_words(address(s.sources[layer]), _SOURCE_WORDS)
    for kind in range(_SOURCE_COUNT):
        _start_source(np.int64(kind), (m, p, s, layer))
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
    # Another program may have other directions.
    s.side[layer] = 0
    carry_clip(s, old, layer)
    copy_words(address(s.sources[layer]), address(old.sources[layer]), _SOURCE_WORDS)
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
    goes_on = carry and before.layers[layer].source != SOURCE_NONE
    if goes_on:
        _carry_layer(m, p, s, before, old, layer)
    else:
        _reset_layer(m, p, s, layer)
    start_forms(m, p, s, before, old, layer, goes_on)
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
    clear_words(address(state), _MODULATOR_WORDS)
    state.step = -1
    state.notes = s.notes
    # A rate that rests from the beginning: a cycle in beats is locked at once.
    state.rate = p.base[MODULATOR_BASE + number * MODULATOR_SIZE + _RATE]
    state.rest = REST


@compiled
def _start_modulator(m, p, s, before, old, number, carry):
    first = MODULATOR_BASE + number * MODULATOR_SIZE
    kind = p.modulators[number].kind
    _lay_out(p, s, first, first + _COMMON_ROWS)
    for k in range(_OWN_COUNTS[kind]):
        index = first + _OWN_ROWS[kind, k]
        settle(s, index, p.base[index])
    goes_on = carry and before.modulators[number].kind == kind
    if goes_on:
        copy_words(address(s.modulator[number]), address(old.modulator[number]), _MODULATOR_WORDS)
    else:
        _reset_modulator(p, s, number)
    _start_kernel(np.int64(kind), (m, p, s, before, old, number, goes_on))


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
    """Lay out a program in instance s; with `carry` its phases go on from instance `old`.

    In: a program in the bank, and the instance that has played until now, which goes on playing through the fade.
    Out: every value, row and state of s that the program will read.
    Never: read what the old program did not use, which may be left from programs long gone; nor lay out rows that this
    one does not use, since the memory traffic of thousands of rows is what a start costs.
    """
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
