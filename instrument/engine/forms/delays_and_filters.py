"""Forms with a memory of the drawing: delay with feedback, low-pass and high-pass filters, per axis."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.forms.form_table import DELAY_LINE
from instrument.engine.memory.layout import CHUNK
from instrument.engine.numeric.safe_math import blended, clamp, sincos_turn
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in

_DELAY = offset_in(LAYER, "form.delay.amount")
DELAY_SECONDS = offset_in(LAYER, "form.delay.x")
"""Place of the three delay times among the rows of a layer."""

_DELAY_FEEDBACK = offset_in(LAYER, "form.delay.feedback.x")
_LOWPASS = offset_in(LAYER, "form.lowpass.amount")
_HIGHPASS = offset_in(LAYER, "form.highpass.amount")
_CUTOFF = 1
_RESONANCE = 4
"""Places of the cutoffs and of the resonance behind a filter's amount."""

LONGEST_DELAY = float(DELAY_LINE - 2 * CHUNK)
"""Samples; a longer delay dialled in stays here."""

_NEAR = 1e-10
"""Samples; some ten times the rounding of the longest delay."""

_MASK = np.uint64(DELAY_LINE - 1)

_SMALLEST = 1e-30
"""Below this what goes round is silent; it keeps subnormals away where the processor cannot."""

_FARTHEST = 1000.0
"""Full scales that are remembered at most: what is beyond any drawing is forgotten as soon as a loud one."""

_LEAST_RESONANCE = 1e-3
_MOST_RESONANCE = 1e6
"""Q of the filters; with an infinite one they would ring for ever."""

_HIGHEST = 0.4999
"""Of the sample rate; the tangent of the bilinear transform ends at a half."""


@inlined
def _kept(value):
    # What may be remembered: nothing that is not a number, nothing enormous, nothing that has died away.
    value = clamp(value, -_FARTHEST, _FARTHEST) if value == value else 0.0
    return value if abs(value) > _SMALLEST else 0.0


@inlined
def _whole_if_near(samples):
    # Seconds times the rate miss whole samples by a rounding, and a neighbour would shine through.
    whole = np.floor(samples + 0.5)
    return whole if abs(samples - whole) < _NEAR else samples


# Delay lines are rings of a power of two, so that an index wraps by masking. `count` says how many samples before `at`
# belong to this program: what is older is another program's and is read as 0, which spares emptying half a megabyte
# within a callback.


@compiled
def _delay_axis(line, out, at, count, amount, seconds, feedback, rate, first, last):
    # The sample that goes in takes part as the one of delay 0; what feedback adds to it is heard a sample later.
    for i in range(first, last):
        here = _kept(out[i])
        samples = _whole_if_near(clamp(seconds[i] * rate, 0.0, LONGEST_DELAY))
        back = np.int64(samples)
        f = samples - back
        place = np.uint64(at)
        line[place] = here
        a = line[(place - np.uint64(back)) & _MASK] if back <= count else 0.0
        b = line[(place - np.uint64(back + 1)) & _MASK] if back < count else 0.0
        late = a + f * (b - a)
        # Without a delay there is nothing to remember of the sample, not even how far it may go.
        late = out[i] if samples == 0.0 else late
        line[place] = _kept(here + feedback[i] * late)
        out[i] = blended(out[i], late, amount[i])
        at = np.int64((place + np.uint64(1)) & _MASK)
        count = count + 1 if count < DELAY_LINE else count


@compiled
def delay(m, s, layer, first, last):
    """Put a past moment of each axis in its place, or blend the two; feedback makes echoes."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _DELAY]
    state = s.forms[layer].delay
    lines = state.lines
    at = state.at
    count = state.count
    seconds = base + DELAY_SECONDS
    feedback = base + _DELAY_FEEDBACK
    for axis in range(3):
        out = m.scratch_x if axis == 0 else (m.scratch_y if axis == 1 else m.scratch_z)
        _delay_axis(
            lines[axis],
            out,
            at,
            count,
            amount,
            s.rows[seconds + axis],
            s.rows[feedback + axis],
            m.rate,
            first,
            last,
        )
    length = np.int64(last) - np.int64(first)
    state.at = (at + length) & np.int64(DELAY_LINE - 1)
    state.count = min(count + length, np.int64(DELAY_LINE))


@compiled
def start_delay(m, p, s, layer):
    """Let a layer's delay lines count as empty, whatever is in them."""
    s.forms[layer].delay.at = 0
    s.forms[layer].delay.count = 0


@compiled
def _reach(m, p, layer):
    # Samples that the delays of a program are set to look back.
    longest = 0.0
    for axis in range(3):
        seconds = p.base[layer * LAYER_SIZE + DELAY_SECONDS + axis]
        longest = max(longest, clamp(seconds * m.rate, 0.0, LONGEST_DELAY))
    return np.int64(longest) + 2


@compiled
def carry_delay(m, p, s, old, layer):
    """Go on with the latest part of the delay lines that a layer has in another instance."""
    # A whole delay line is long to copy within a callback. Twice of what the delays are set to look back is taken
    # along, so that one made longer later finds as much again before it falls silent for a moment.
    state, then = s.forms[layer].delay, old.forms[layer].delay
    count = min(then.count, 2 * _reach(m, p, layer), np.int64(DELAY_LINE))
    at = then.at
    state.at = at
    state.count = count
    first = (at - count) & np.int64(DELAY_LINE - 1)
    whole = min(count, DELAY_LINE - first)
    for axis in range(3):
        new_line = state.lines[axis]
        old_line = then.lines[axis]
        for i in range(first, first + whole):
            new_line[i] = old_line[i]
        for i in range(count - whole):
            new_line[i] = old_line[i]


@inlined
def _coefficients(cutoff, resonance, rate):
    # Warped frequency tan(pi cutoff / rate), which the bilinear transform leads to the cutoff, and damping 1 / Q.
    sine, cosine = sincos_turn(0.5 * clamp(cutoff / rate, 0.0, _HIGHEST))
    g = sine / cosine
    damping = 1.0 / clamp(resonance, _LEAST_RESONANCE, _MOST_RESONANCE)
    a = 1.0 / (1.0 + g * (g + damping))
    return a, g * a, g * (g * a), damping


@compiled
def _find_coefficients(rows, at, cutoff, resonance, moving, rate, first, last):
    one = rows[at]
    two = rows[at + 1]
    three = rows[at + 2]
    if moving != 0:
        for i in range(first, last):
            one[i], two[i], three[i], _ = _coefficients(cutoff[i], resonance[i], rate)
    else:
        a, b, c, _ = _coefficients(cutoff[first], resonance[first], rate)
        for i in range(first, last):
            one[i] = a
            two[i] = b
            three[i] = c


@inlined
def _band_and_low(first_state, second_state, x, a, b, c):
    above = x - second_state
    band = a * first_state + b * above
    return band, second_state + (b * first_state + c * above)


@inlined
def _next_state(state, value):
    # The coefficients never let a state grow beyond what goes in, so it need only be kept from dying away slowly.
    state = 2.0 * value - state
    return state if abs(state) > _SMALLEST else 0.0


@compiled
def _run_filters(m, state, amount, resonance, high, first, last):
    # Two trapezoidal integrators, solved without a delay in the loop, so that it stays stable whatever its
    # coefficients do meanwhile: the state-variable filter of V. Zavalishin, The Art of VA Filter Design, 2nd edition
    # (2018), chapter 4, with the arithmetic ordered as by A. Simper, Solving the continuous SVF equations using
    # trapezoidal integration and equivalent currents (2013); both from memory. The axes share the loop because each
    # waits for its own latest sample.
    rows = m.scratch_form
    x = m.scratch_x
    y = m.scratch_y
    z = m.scratch_z
    x1 = state[0, 0]
    x2 = state[0, 1]
    y1 = state[1, 0]
    y2 = state[1, 1]
    z1 = state[2, 0]
    z2 = state[2, 1]
    for i in range(first, last):
        in_x = _kept(x[i])
        in_y = _kept(y[i])
        in_z = _kept(z[i])
        band_x, low_x = _band_and_low(x1, x2, in_x, rows[0, i], rows[1, i], rows[2, i])
        band_y, low_y = _band_and_low(y1, y2, in_y, rows[3, i], rows[4, i], rows[5, i])
        band_z, low_z = _band_and_low(z1, z2, in_z, rows[6, i], rows[7, i], rows[8, i])
        x1 = _next_state(x1, band_x)
        x2 = _next_state(x2, low_x)
        y1 = _next_state(y1, band_y)
        y2 = _next_state(y2, low_y)
        z1 = _next_state(z1, band_z)
        z2 = _next_state(z2, low_z)
        if high:
            damping = 1.0 / clamp(resonance[i], _LEAST_RESONANCE, _MOST_RESONANCE)
            low_x = in_x - damping * band_x - low_x
            low_y = in_y - damping * band_y - low_y
            low_z = in_z - damping * band_z - low_z
        x[i] = blended(x[i], low_x, amount[i])
        y[i] = blended(y[i], low_y, amount[i])
        z[i] = blended(z[i], low_z, amount[i])
    state[0, 0] = x1
    state[0, 1] = x2
    state[1, 0] = y1
    state[1, 1] = y2
    state[2, 0] = z1
    state[2, 1] = z2


@compiled
def _filter_axes(m, s, base, integrators, high, first, last):
    resonance = s.rows[base + _RESONANCE]
    for axis in range(3):
        cutoff = base + _CUTOFF + axis
        moving = s.moving[cutoff] | s.moving[base + _RESONANCE]
        at = 3 * axis
        _find_coefficients(m.scratch_form, at, s.rows[cutoff], resonance, moving, m.rate, first, last)
    _run_filters(m, integrators, s.rows[base], resonance, high, first, last)


@compiled
def lowpass(m, s, layer, first, last):
    """Filter x, y and z by a second-order low-pass."""
    _filter_axes(m, s, layer * LAYER_SIZE + _LOWPASS, s.forms[layer].lowpass.integrators, False, first, last)


@compiled
def highpass(m, s, layer, first, last):
    """Filter x, y and z by a second-order high-pass."""
    _filter_axes(m, s, layer * LAYER_SIZE + _HIGHPASS, s.forms[layer].highpass.integrators, True, first, last)
