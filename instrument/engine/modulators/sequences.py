"""Modulators that fill their cycle with values: by breakpoints, steps, chance or a formula."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.compiling.units import FORMULA
from instrument.engine.formulas.instructions import MODULATOR_LOCATION
from instrument.engine.memory.layout import CHUNK
from instrument.engine.memory.machine import address_of
from instrument.engine.numeric.safe_math import bent, clamp, finite, phase_to_turns
from instrument.engine.parameters import MODULATOR, MODULATOR_BASE, MODULATOR_SIZE, offset_in

_run_formula = FORMULA.call

_SMOOTH = offset_in(MODULATOR, "smooth")
_SEED = offset_in(MODULATOR, "seed")
POINT = 3
"""Values of a breakpoint: time (0 to 1), value, and bend of the way to the next one."""

STEP = 4
"""Values of a step: value, share in which it glides there, probability, and share after which it falls to 0."""


@inlined
def mixed(counter):
    """Return 64 well-mixed bits of a counter.

    The output function of SplitMix64: Steele, Lea and Flood, Fast Splittable Pseudorandom Number Generators, OOPSLA
    2014, with the constants of D. Stafford's variant 13.
    """
    z = counter
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@inlined
def seed_of(number):
    """Return a seed, any number, as a whole one; nan counts as 0."""
    number = number if number == number else 0.0
    return np.int64(clamp(np.floor(number), -1e15, 1e15))


@inlined
def chance(seed, cycle, step):
    """Return a chance, 0 up to, not including, 1, that belongs to a seed, a cycle and a step of it."""
    golden = np.uint64(0x9E3779B97F4A7C15)
    bits = mixed((np.uint64(seed) + np.uint64(1)) * golden)
    bits = mixed(bits + np.uint64(cycle) * golden)
    return phase_to_turns(mixed(bits + np.uint64(step) * golden))


@compiled
def run_random(m, p, s, number, n):
    """Fill a modulator's row for n samples: a value from -1 to 1 for each cycle, moving on to the next as smooth says."""
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    smooth = s.rows[base + _SMOOTH]
    seed = s.rows[base + _SEED]
    out = s.modulator_rows[number]
    here = there = 0.0
    last_cycle = last_seed = np.int64(0)
    for i in range(n):
        cycle = np.int64(m.scratch_cycles[i])
        root = seed_of(seed[i])
        if i == 0 or cycle != last_cycle or root != last_seed:
            here = 2.0 * chance(root, cycle, np.int64(0)) - 1.0
            there = 2.0 * chance(root, cycle + np.int64(1), np.int64(0)) - 1.0
            last_cycle, last_seed = cycle, root
        share = clamp(smooth[i], 0.0, 1.0)
        u = (m.scratch_turns[i] - (1.0 - share)) / share if share > 0.0 else 0.0
        u = clamp(u, 0.0, 1.0)
        out[i] = here + (there - here) * (u * u * (3.0 - 2.0 * u))


@inlined
def _segment(pool, table, count, turns, near):
    # The last breakpoint that is not later; whether the search starts near it changes only its cost.
    begun = near < count and pool[table + POINT * near] <= turns
    if begun and (near + 1 == count or turns < pool[table + POINT * (near + 1)]):
        return near
    low, high = np.int64(-1), count
    while high - low > np.int64(1):
        middle = (low + high) // np.int64(2)
        if pool[table + POINT * middle] <= turns:
            low = middle
        else:
            high = middle
    return low


@compiled
def run_curve(m, p, s, number, n):
    """Fill a modulator's row for n samples from its breakpoints; before the first and behind the last it rests."""
    out = s.modulator_rows[number]
    pool = m.pool
    table = p.modulators[number].table
    count = np.int64(p.modulators[number].count)
    near = np.int64(0)
    for i in range(n):
        if count <= np.int64(0):
            out[i] = 0.0
            continue
        turns = m.scratch_turns[i]
        k = _segment(pool, table, count, turns, near)
        near = max(k, np.int64(0))
        at = table + POINT * near
        value = pool[at + 1]
        if k >= np.int64(0) and k + 1 < count:
            u = (turns - pool[at]) / (pool[at + POINT] - pool[at])
            value += (pool[at + POINT + 1] - value) * bent(clamp(u, 0.0, 1.0), pool[at + 2])
        out[i] = value


@compiled
def run_steps(m, p, s, number, n):
    """Fill a modulator's row for n samples from its steps.

    Whether a step is played is a chance by seed, cycle and step, so that it comes out alike every time; one that is
    not played leaves the value where it is. The first step that is played is there at once, since there is nothing to
    glide from.
    """
    out = s.modulator_rows[number]
    seed = s.rows[MODULATOR_BASE + number * MODULATOR_SIZE + _SEED]
    pool = m.pool
    table = p.modulators[number].table
    count = np.int64(p.modulators[number].count)
    state = s.modulator[number]
    level = state.level
    for i in range(n):
        if count <= np.int64(0):
            out[i] = 0.0
            continue
        place = m.scratch_turns[i] * count
        k = min(np.int64(place), count - np.int64(1))
        at = table + STEP * k
        cycle = np.int64(m.scratch_cycles[i])
        if k != state.step or cycle != state.step_cycle:
            state.step, state.step_cycle = k, cycle
            state.start = level
            state.played = np.int64(chance(seed_of(seed[i]), cycle, k) < pool[at + 2])
        share = place - k
        if state.played != 0:
            if state.started == 0:
                state.start = pool[at]
                state.started = 1
            glide = pool[at + 1]
            u = share / glide if share < glide else 1.0
            level = state.start + (pool[at] - state.start) * u
            level = level if share < pool[at + 3] or pool[at + 3] >= 1.0 else 0.0
        out[i] = finite(level)
    state.level = level


@compiled
def run_formula_modulator(m, p, s, number, n):
    """Fill a modulator's row for n samples; turns and cycles hold its place in the cycle and the cycle's number."""
    row = p.modulators[number]
    if row.instructions == 0:
        for i in range(n):
            s.modulator_rows[number, i] = 0.0
        return
    location = np.int64(MODULATOR_LOCATION) + CHUNK * number
    _run_formula(
        address_of(m),
        np.int64(s.number),
        np.int64(row.code),
        np.int64(row.instructions),
        location,
        np.int64(0),
        np.int64(n),
    )
