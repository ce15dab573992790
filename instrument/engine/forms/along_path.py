"""Forms along the path and in time without memory of the drawing: billow, noise, ring and gaps."""

from __future__ import annotations

import math

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.numeric.safe_math import blended, clamp, finite, formed_or, option, sincos_turn, wrap_turn
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in

_BILLOW = offset_in(LAYER, "form.billow.amount")
_BILLOW_WAVES = offset_in(LAYER, "form.billow.waves")
_BILLOW_PHASE = offset_in(LAYER, "form.billow.phase")
_BILLOW_BY = offset_in(LAYER, "form.billow.by")
_BILLOW_INTO = offset_in(LAYER, "form.billow.into")
_NOISE = offset_in(LAYER, "form.noise.amount")
_NOISE_RATE = offset_in(LAYER, "form.noise.rate")
_NOISE_GLIDE = offset_in(LAYER, "form.noise.glide")
_NOISE_SEED = offset_in(LAYER, "form.noise.seed")
_RING = offset_in(LAYER, "form.ring.amount")
_RING_GAIN = offset_in(LAYER, "form.ring.gain")
_RING_X = offset_in(LAYER, "form.ring.x")
_RING_Y = offset_in(LAYER, "form.ring.y")
_GAPS = offset_in(LAYER, "form.gaps.amount")
_GAPS_GATES = offset_in(LAYER, "form.gaps.gates")
_GAPS_OPEN = offset_in(LAYER, "form.gaps.open")
_GAPS_PHASE = offset_in(LAYER, "form.gaps.phase")
_GAPS_REST = offset_in(LAYER, "form.gaps.rest")

_ONE_NUMBER = 4294967296.0
"""Steps of the noise's clock from one random number to the next, 2**32."""

_FASTEST = 2.0**30
"""Random numbers in a sample that the clock can still count."""

_LARGEST_SEED = 2.0**53


@compiled
def billow(m, s, layer, first, last):
    """Lay waves over the drawing: height by the path or the radius, movement outwards or along z."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _BILLOW]
    waves = s.rows[base + _BILLOW_WAVES]
    phase = s.rows[base + _BILLOW_PHASE]
    by = s.rows[base + _BILLOW_BY]
    into = s.rows[base + _BILLOW_INTO]
    position = m.scratch_position
    x = m.scratch_x
    y = m.scratch_y
    z = m.scratch_z
    for i in range(first, last):
        a = x[i]
        b = y[i]
        radius = math.sqrt(a * a + b * b)
        along = radius if option(by[i], 2) == 1.0 else position[i]
        sine, _ = sincos_turn(waves[i] * along + phase[i])
        height = amount[i] * sine
        deep = option(into[i], 2) == 1.0
        # The very middle lies in no direction and stays.
        outwards = height / radius if radius > 0.0 else 0.0
        outwards = 0.0 if deep else outwards
        x[i] = formed_or(a, a + a * outwards, amount[i])
        y[i] = formed_or(b, b + b * outwards, amount[i])
        z[i] = formed_or(z[i], z[i] + height if deep else z[i], amount[i])


@inlined
def hashed(number, key):
    """Return 64 bits that a number and a key name, without pattern to the eye.

    The finaliser of the generator splitmix64: G. L. Steele, D. Lea, C. H. Flood, Fast Splittable Pseudorandom
    Number Generators, OOPSLA 2014, figure 17 (mixing function from memory, checked in the tests).
    """
    z = (number + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15) + key
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@inlined
def _key_of(seed):
    whole = np.floor(clamp(seed, -_LARGEST_SEED, _LARGEST_SEED) + 0.5)
    return hashed(np.uint64(np.int64(whole)), np.uint64(0))


@inlined
def _share(bits, axis):
    # 21 bits for each of three axes, as a number from -1 up to, not including, 1.
    part = (bits >> np.uint64(21 * axis)) & np.uint64(0x1FFFFF)
    return np.float64(np.int64(part)) * (1.0 / 1048576.0) - 1.0


@inlined
def _throw(here, there, weight, axis):
    a = _share(here, axis)
    return a + (_share(there, axis) - a) * weight


@inlined
def _clock_step(rate, sample_rate):
    numbers = rate / sample_rate
    numbers = clamp(numbers, -_FASTEST, _FASTEST) if numbers == numbers else 0.0
    return np.uint64(np.int64(numbers * _ONE_NUMBER))


@compiled
def noise(m, s, layer, first, last):
    """Throw every sample by random numbers that a clock counts through, the same ones for the same seed."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _NOISE]
    rate = s.rows[base + _NOISE_RATE]
    glide = s.rows[base + _NOISE_GLIDE]
    seed = s.rows[base + _NOISE_SEED]
    moving = s.moving[base + _NOISE_RATE] | s.moving[base + _NOISE_SEED]
    x = m.scratch_x
    y = m.scratch_y
    z = m.scratch_z
    clock = s.forms[layer].noise.clock
    key = _key_of(seed[first])
    step = _clock_step(rate[first], m.rate)
    goes = np.uint64(0 if m.frozen != 0 else 1)
    for i in range(first, last):
        if moving != 0:
            key = _key_of(seed[i])
            step = _clock_step(rate[i], m.rate)
        number = clock >> np.uint64(32)
        f = np.float64(np.int64(clock & np.uint64(0xFFFFFFFF))) * (1.0 / _ONE_NUMBER)
        here = hashed(number, key)
        there = hashed((number + np.uint64(1)) & np.uint64(0xFFFFFFFF), key)
        weight = f * f * (3.0 - 2.0 * f) * glide[i]
        x[i] = formed_or(x[i], x[i] + amount[i] * _throw(here, there, weight, 0), amount[i])
        y[i] = formed_or(y[i], y[i] + amount[i] * _throw(here, there, weight, 1), amount[i])
        z[i] = formed_or(z[i], z[i] + amount[i] * _throw(here, there, weight, 2), amount[i])
        clock += step * goes
    s.forms[layer].noise.clock = clock


@compiled
def ring(m, s, layer, first, last):
    """Put the product of x and y in the place of x, of y, or of both."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _RING]
    gain = s.rows[base + _RING_GAIN]
    share_x = s.rows[base + _RING_X]
    share_y = s.rows[base + _RING_Y]
    x = m.scratch_x
    y = m.scratch_y
    for i in range(first, last):
        product = x[i] * y[i] * gain[i]
        x[i] = formed_or(x[i], blended(x[i], product, amount[i] * share_x[i]), amount[i])
        y[i] = formed_or(y[i], blended(y[i], product, amount[i] * share_y[i]), amount[i])


@compiled
def _find_gates(m, s, base, first, last):
    # 1 where the beam is drawn.
    gates = s.rows[base + _GAPS_GATES]
    share = s.rows[base + _GAPS_OPEN]
    phase = s.rows[base + _GAPS_PHASE]
    position = m.scratch_position
    out = m.scratch_form[0]
    for i in range(first, last):
        out[i] = 1.0 if wrap_turn(gates[i] * position[i] + phase[i]) < share[i] else 0.0


@compiled
def _close_gates(out, is_open, amount, rest, held, first, last):
    for i in range(first, last):
        here = finite(out[i])
        held = here if is_open[i] != 0.0 else held
        waiting = held if option(rest[i], 2) == 1.0 else 0.0
        out[i] = blended(out[i], waiting, 0.0 if is_open[i] != 0.0 else amount[i])
    return held


@compiled
def gaps(m, s, layer, first, last):
    """Draw dashes along the path; between them the beam waits."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _GAPS]
    rest = s.rows[base + _GAPS_REST]
    gates = m.scratch_form[0]
    held = s.forms[layer].gaps.held
    _find_gates(m, s, base, first, last)
    held[0] = _close_gates(m.scratch_x, gates, amount, rest, held[0], first, last)
    held[1] = _close_gates(m.scratch_y, gates, amount, rest, held[1], first, last)
    held[2] = _close_gates(m.scratch_z, gates, amount, rest, held[2], first, last)
