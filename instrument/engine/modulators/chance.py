"""Chance that repeats itself: a counter-based hash, and the random modulator made of it."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.numeric.safe_math import clamp, phase_to_turns
from instrument.engine.parameters import MODULATOR, MODULATOR_BASE, MODULATOR_SIZE, offset_in

_SMOOTH = offset_in(MODULATOR, "smooth")
_SEED = offset_in(MODULATOR, "seed")


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
def run_random(m, s, number, n):
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
