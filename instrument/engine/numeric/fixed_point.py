"""Positions that never drift: whole numbers and fractions of 2**-64, moved, compared and multiplied in integers."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import inlined
from instrument.engine.memory.machine import high_product
from instrument.engine.numeric.safe_math import turns_to_phase

FARTHEST = 1e15
"""Steps and rates beyond this have no fraction left; they count as 0, as does nan."""

_FRACTION = 1.0 / 18446744073709551616.0


@inlined
def moved_on(whole, part, step):
    """Return a position moved by a step of any sign, as (whole, part)."""
    step = step if abs(step) < FARTHEST else 0.0
    change = turns_to_phase(step)
    after = part + change
    whole += np.int64(np.floor(step + 0.5))
    if np.int64(change) >= np.int64(0):
        whole += np.int64(after < part)
    else:
        whole -= np.int64(after > part)
    return whole, after


@inlined
def moved_often(whole, part, change, times):
    """Return a position moved `times` times by a change of less than half a turn, as (whole, part)."""
    count = np.uint64(times)
    low = count * change
    after = part + low
    whole += np.int64(high_product(count, change)) + np.int64(after < low)
    if np.int64(change) < np.int64(0):
        whole -= np.int64(times)
    return whole, after


@inlined
def between(whole, part, from_whole, from_part):
    """Return the difference of two positions, as (whole, part)."""
    difference = part - from_part
    return whole - from_whole - np.int64(part < from_part), difference


@inlined
def as_float(whole, part):
    """Return a position as one number."""
    return np.float64(whole) + np.float64(part) * _FRACTION


@inlined
def distance(whole, part, from_whole, from_part):
    """Return how far a position is from another, as one number."""
    apart_whole, apart_part = between(whole, part, from_whole, from_part)
    return as_float(apart_whole, apart_part)


@inlined
def multiplied(rate, whole, part):
    """Return a rate of any sign times a position, as (whole, part); exact to 2**-64 for the rate as it is stored."""
    rate = rate if abs(rate) < FARTHEST else 0.0
    # Split before the sign is set: the fraction of a positive number is exact, and 1 less a small one is not.
    size = abs(rate)
    floor = np.floor(size)
    rate_whole = np.int64(floor)
    rate_part = turns_to_phase(size - floor)
    if rate < 0.0:
        rate_whole = -rate_whole - np.int64(rate_part != np.uint64(0))
        rate_part = np.uint64(0) - rate_part
    unsigned_whole = np.uint64(whole)
    unsigned_rate = np.uint64(rate_whole)
    # whole * rate, then part * whole rate, then part * part of rate; a signed factor read as unsigned is 2**64 too large.
    up = rate_whole * whole + np.int64(high_product(rate_part, unsigned_whole))
    if whole < np.int64(0):
        up -= np.int64(rate_part)
    up += np.int64(high_product(part, unsigned_rate))
    if rate_whole < np.int64(0):
        up -= np.int64(part)
    first = rate_part * unsigned_whole
    second = first + part * unsigned_rate
    third = second + high_product(rate_part, part)
    up += np.int64(second < first) + np.int64(third < second)
    return up, third
