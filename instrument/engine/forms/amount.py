"""What all forms share: an amount that leaves a sample untouched at 0, and choices that loops can test."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import inlined
from instrument.engine.numeric.safe_math import clamp


@inlined
def formed_or(untouched, formed, amount):
    """Return what a form made of a sample, or at amount 0 the sample bit for bit, whatever was made of it."""
    return formed if amount != 0.0 else untouched


@inlined
def blended(untouched, formed, amount):
    """Return a blend of a sample and what a form made of it; 0 and 1 give the one and the other exactly."""
    return formed_or(untouched, untouched * (1.0 - amount) + formed * amount, amount)


@inlined
def option(value, count):
    """Return a choice from 0 to count - 1 as a float, which a vector of samples can be compared with."""
    return np.floor(clamp(value + 0.5, 0.0, count - 0.5))
