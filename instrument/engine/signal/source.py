"""Sources but paths: sums of sines, formulas, live input. Each fills x, y and z from the pen's position."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined, merged
from instrument.engine.compiling.units import FORMULA
from instrument.engine.formulas.instructions import AXIS_LOCATIONS
from instrument.engine.memory.machine import address_of
from instrument.engine.numeric.safe_math import sincos_turn, wrap_turn
from instrument.engine.parameters import LAYER, LAYER_SIZE, LIVE_TERMS, offset_in

_TERMS = offset_in(LAYER, "source.x.1.amplitude")
_LENGTH = offset_in(LAYER, "pen.length")
_GAIN = offset_in(LAYER, "source.gain")
_GATE = offset_in(LAYER, "source.gate")
_TERM_SIZE = 3
_AXIS_SIZE = LIVE_TERMS * _TERM_SIZE
_X_LOCATION, _Y_LOCATION, _Z_LOCATION = AXIS_LOCATIONS
_run_formula = FORMULA.call

_GATE_SECONDS = 0.005
"""Time in which the gate opens and closes; short enough for speech and plucked strings (common practice, no source)."""

_FALL_SECONDS = 0.05
"""Time constant of the level that the gate listens to, some periods of a low note (common practice, no source)."""


@inlined
def _gain_of_round(ratio, length):
    # What a term is out of step after a round of a drawing run through `length` times; a part of a
    # drawing jumps back by intent, and the drawing turns on as if it had been drawn once.
    whole = (length == np.floor(length)) & (abs(length) < 1e15)
    return (ratio - np.floor(ratio)) * (length if whole else 1.0)


@compiled
def _carry_along(m, s, layer, axis, term, ratio, first, last):
    # A ratio that is not whole leaves the term out of step by its fraction after each round, and a
    # ratio being turned must not make the phase jump: both are kept in `carry`.
    length = s.rows[layer * LAYER_SIZE + _LENGTH]
    carry = s.carry[layer, axis, term]
    before = s.last_ratio[layer, axis, term]
    position_before = s.last_position[layer]
    position = m.scratch_position
    wraps = m.scratch_wraps
    out = m.scratch_carry
    for i in range(first, last):
        r = ratio[i]
        carry = wrap_turn(carry + wraps[i] * _gain_of_round(r, length[i]) - (r - before) * position_before)
        out[i] = carry
        before = r
        position_before = position[i]
    s.carry[layer, axis, term] = carry
    s.last_ratio[layer, axis, term] = before


@compiled
def _hold_carry(m, s, layer, axis, term, first, last):
    carry = s.carry[layer, axis, term]
    out = m.scratch_carry
    for i in range(first, last):
        out[i] = carry


@compiled
def _add_term(out, amplitude, ratio, phase, position, carry, first, last):
    for i in range(first, last):
        sine, _ = sincos_turn(ratio[i] * position[i] + (phase[i] + carry[i]))
        out[i] += amplitude[i] * sine


@compiled
def _add_constant_term(out, amplitude, ratio, phase, position, carry, first, last):
    for i in range(first, last):
        sine, _ = sincos_turn(ratio * position[i] + (phase + carry[i]))
        out[i] += amplitude * sine


@compiled
def _playable_terms(m, s, layer, axis, count, out, first, last):
    for term in range(min(count, LIVE_TERMS)):
        index = layer * LAYER_SIZE + _TERMS + axis * _AXIS_SIZE + term * _TERM_SIZE
        ratio = s.rows[index + 1]
        r = ratio[first]
        locked = s.moving[index + 1] == 0 and r - np.floor(r) == 0.0
        if locked and s.last_ratio[layer, axis, term] == r:
            _hold_carry(m, s, layer, axis, term, first, last)
        else:
            _carry_along(m, s, layer, axis, term, ratio, first, last)
        _add_term(
            out,
            s.rows[index],
            ratio,
            s.rows[index + 2],
            m.scratch_position,
            m.scratch_carry,
            first,
            last,
        )


@compiled
def _constant_terms(m, s, layer, axis, count, table, out, first, last):
    carry = m.scratch_carry
    length = s.rows[layer * LAYER_SIZE + _LENGTH]
    for term in range(LIVE_TERMS, count):
        at = table + (term - LIVE_TERMS) * _TERM_SIZE
        ratio = m.pool[at + 1]
        value = s.carry[layer, axis, term]
        for i in range(first, last):
            value = wrap_turn(value + m.scratch_wraps[i] * _gain_of_round(ratio, length[i]))
            carry[i] = value
        s.carry[layer, axis, term] = value
        _add_constant_term(out, m.pool[at], ratio, m.pool[at + 2], m.scratch_position, carry, first, last)


@compiled
def _clear(out, first, last):
    for i in range(first, last):
        out[i] = 0.0


@merged
def _harmonic_axis(m, p, s, layer, axis, out, first, last):
    count = np.int64(p.layers[layer].terms[axis])
    _clear(out, first, last)
    _playable_terms(m, s, layer, axis, count, out, first, last)
    if count > LIVE_TERMS:
        table = p.layers[layer].term_table[axis]
        _constant_terms(m, s, layer, axis, count, table, out, first, last)


@compiled
def draw_harmonic(m, p, s, layer, first, last):
    """Fill x, y and z for samples first to last with sums of sines."""
    _harmonic_axis(m, p, s, layer, 0, m.scratch_x, first, last)
    _harmonic_axis(m, p, s, layer, 1, m.scratch_y, first, last)
    _harmonic_axis(m, p, s, layer, 2, m.scratch_z, first, last)


@compiled
def _formula_axis(m, p, s, layer, axis, location, out, first, last):
    count = np.int64(p.layers[layer].instructions[axis])
    if count == 0:
        _clear(out, first, last)
        return
    code = np.int64(p.layers[layer].code[axis])
    _run_formula(address_of(m), s.number, code, count, location, np.int64(first), np.int64(last))


@compiled
def draw_formulas(m, p, s, layer, first, last):
    """Fill x, y and z for samples first to last with what formulas say."""
    _formula_axis(m, p, s, layer, 0, _X_LOCATION, m.scratch_x, first, last)
    _formula_axis(m, p, s, layer, 1, _Y_LOCATION, m.scratch_y, first, last)
    _formula_axis(m, p, s, layer, 2, _Z_LOCATION, m.scratch_z, first, last)


@compiled
def start_input(m, p, s, layer):
    """Let the gate of a layer's live input begin closed, or open where it has no level to wait for."""
    s.sources[layer].input.opening = 0.0 if p.base[layer * LAYER_SIZE + _GATE] > 0.0 else 1.0


@compiled
def draw_input(m, p, s, layer, first, last):
    """Fill x and y for samples first to last with the live input, as far as its gate is open."""
    # The gate moves in equal steps, so that it really arrives: an open one leaves every bit as it is.
    left = m.input_rows[0]
    right = m.input_rows[1]
    gain = s.rows[layer * LAYER_SIZE + _GAIN]
    gate = s.rows[layer * LAYER_SIZE + _GATE]
    step = 1.0 / (_GATE_SECONDS * m.rate)
    keep = 1.0 - 1.0 / (_FALL_SECONDS * m.rate)
    state = s.sources[layer].input
    level = state.level
    share = state.opening
    for i in range(first, last):
        loudest = max(abs(left[i]), abs(right[i]))
        level = max(loudest, level * keep)
        level = level if level > 1e-30 else 0.0
        share = max(share - step, 0.0) if level < gate[i] else min(share + step, 1.0)
        m.scratch_x[i] = left[i] * (gain[i] * share)
        m.scratch_y[i] = right[i] * (gain[i] * share)
    state.level = level
    state.opening = share
    _clear(m.scratch_z, first, last)
