"""The compiled stage that gives a display what it needs: behind all that takes, window and loudspeakers get.

It is the last stage before a device but for its own guard. What it corrects is one venue's display, so it comes after the
output ring, from which takes are made: a take holds the picture of the patch, and is rendered again byte by byte wherever
that may be. The arithmetic is that of a patch's own output section (`engine.output`).

Delays are fractions of a sample (`engine.output`, third-order Lagrange interpolation), because whole ones, 21 us at
48 kHz, are 7.5 degrees of a 1 kHz circle, which every eye sees. A neutral correction copies: no bit is changed. Where only
one channel is held back the other one has no delay at all.
"""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING, Any

import llvmlite.binding
import numpy as np
from numba import cfunc, from_dtype, types

from instrument.engine.compiling.compiled import ENTRY_OPTIONS, compiled, keep_text, quiet
from instrument.engine.memory.layout import CHUNK, DELAY
from instrument.engine.memory.machine import fence, record_at
from instrument.engine.signal.output import adjust_channel, delay_channel, guard, swap_channels

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.audio.correction_table import Correction

GLIDE_SECONDS = 0.02
"""Time that a changed value takes, so that adjusting neither bangs nor jerks the beam."""

SWAP, INVERT, GAIN, OFFSET, HOLD, LEVEL = 0, 1, 3, 5, 7, 9
"""Places of the quantities in the rows below, those of `correction.QUANTITIES`, which a test compares; the level is 1."""

VALUES = 9

STATE = np.dtype(
    [
        ("told", "i8"),  # odd while `wanted` is being written, by whoever owns the device
        ("heard", "i8"),
        ("wanted", "f8", (VALUES,)),
        ("target", "f8", (VALUES,)),
        ("start", "f8", (VALUES,)),  # where the glide under way began
        ("next", "f8", (VALUES,)),
        ("left", "i8"),
        ("length", "i8"),
        ("rows", "f8", (VALUES + 1, CHUNK)),
        ("x", "f8", (CHUNK,)),
        ("y", "f8", (CHUNK,)),
        ("at", "i8"),
        ("line", "f8", (2, DELAY)),
    ],
    align=True,
)

_as_state = record_at(from_dtype(STATE))

_FULL = 1.0


@compiled
def _listen(c):
    # Taken whole or, where it is being written just now, with the next slice.
    told = c.told
    if told == c.heard or (told & 1) != 0:
        return
    fence()
    for k in range(VALUES):
        c.next[k] = c.wanted[k]
    fence()
    if c.told != told:
        return
    c.heard = told
    for k in range(VALUES):
        c.start[k] = c.target[k] + (c.start[k] - c.target[k]) * (c.left / c.length)
        c.target[k] = c.next[k]
    c.left = c.length


@compiled
def _is_neutral(c):
    t = c.target
    other = t[SWAP] != 0.0 or t[INVERT] != 0.0 or t[INVERT + 1] != 0.0
    other = other or t[GAIN] != 1.0 or t[GAIN + 1] != 1.0 or t[OFFSET] != 0.0 or t[OFFSET + 1] != 0.0
    return c.left == 0 and not other and t[HOLD] == 0.0 and t[HOLD + 1] == 0.0


@compiled
def _pass_on(c, given, shown, first, n):
    # As it is, to the bit; the lines are kept filled for a delay that is turned up.
    for i in range(n):
        at = 2 * (first + i)
        shown[at] = given[at]
        shown[at + 1] = given[at + 1]
        slot = (c.at + i) & (DELAY - 1)
        c.line[0, slot] = given[at]
        c.line[1, slot] = given[at + 1]
    c.at = (c.at + n) & (DELAY - 1)


@compiled
def _set_rows(c, n):
    # The last sample of a glide has arrived; a chunk never goes on beyond it.
    for k in range(VALUES):
        for i in range(n):
            share = max(c.left - 1 - i, 0) / c.length
            c.rows[k, i] = c.target[k] + (c.start[k] - c.target[k]) * share


@compiled
def _change(c, given, shown, first, n):
    x = c.x
    y = c.y
    for i in range(n):
        x[i] = given[2 * (first + i)]
        y[i] = given[2 * (first + i) + 1]
    _set_rows(c, n)
    moving = np.int64(1) if c.left > 0 else np.int64(0)
    swap_channels(x, y, c.rows[SWAP], c.rows[LEVEL], n)
    adjust_channel(x, c.rows[INVERT], c.rows[GAIN], c.rows[OFFSET], n)
    adjust_channel(y, c.rows[INVERT + 1], c.rows[GAIN + 1], c.rows[OFFSET + 1], n)
    delay_channel(c.line[0], c.at, x, c.rows[HOLD], moving, n)
    c.at = delay_channel(c.line[1], c.at, y, c.rows[HOLD + 1], moving, n)
    for i in range(n):
        # No knee: it would bend what is only large.
        shown[2 * (first + i)] = np.float32(guard(x[i], _FULL, _FULL))
        shown[2 * (first + i) + 1] = np.float32(guard(y[i], _FULL, _FULL))


@compiled
def run_correction(c, given, shown, frames):
    """Correct interleaved pairs.

    What comes in: the state, finite pairs within full scale.
    What goes out: as many pairs, finite and within full scale; no state that a bad number could stay in, as
    the lines hold what passes through and the glide ends on its target.
    What it must never do: allocate, raise, wait, call Python; nor let the block size show in the bits.
    """
    _listen(c)
    done = np.int64(0)
    while done < frames:
        n = min(np.int64(CHUNK), frames - done)
        if _is_neutral(c):
            _pass_on(c, given, shown, done, n)
        else:
            if c.left > 0:
                n = min(n, c.left)
            _change(c, given, shown, done, n)
            c.left = max(c.left - n, np.int64(0))
        done += n


_run_correction = quiet(run_correction)

CORRECT_SIGNATURE = types.void(types.voidptr, types.CPointer(types.float32), types.CPointer(types.float32), types.int64)
"""Address of a state, pairs that come in, pairs that go out, frames."""


@cfunc(CORRECT_SIGNATURE, cache=True, **ENTRY_OPTIONS)
def correct(state: Any, given: Any, shown: Any, frames: Any) -> None:
    """Correct pairs; the state is a `Corrector`'s."""
    _run_correction((_as_state(state), given, shown, np.int64(frames)))


keep_text("correction", correct)

# By its name, so that what calls it may be kept in the compile cache while this file changes.
llvmlite.binding.add_symbol("beamhand_correct", correct.address)


@cfunc(types.void(types.voidptr, types.int64), cache=True, **ENTRY_OPTIONS)
def tell(state: Any, by: Any) -> None:
    """Count on what has been told, with everything written before seen before it and nothing after it."""
    fence()
    _as_state(state).told += by
    fence()


_tell = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_int64)(int(tell.address))


class Corrector:
    """The memory of `correct`, and the door through which values reach it while it plays.

    Parameters
    ----------
    correction : Correction
        What it begins with.
    rate : float
        The device's sample rate in hertz.

    Attributes
    ----------
    state : np.ndarray [dtype=STATE]
        Stays alive while anybody may call `correct` with it.
    correction : Correction
        What has been asked for; the sound has glided there `GLIDE_SECONDS` later.
    """

    def __init__(self, correction: Correction, rate: float) -> None:
        self._rate = rate
        self.correction = correction
        self.state: npt.NDArray[np.void] = np.zeros((), STATE)
        self.state["length"] = max(1, round(GLIDE_SECONDS * rate))
        self.state["rows"][LEVEL] = 1.0
        for field in ("wanted", "target", "start"):
            self.state[field] = self._in_samples(correction)

    @property
    def address(self) -> int:
        """Address of the state."""
        return int(self.state.ctypes.data)

    def set(self, correction: Correction) -> None:
        """Glide to other values; called by one thread, the sound goes on."""
        self.correction = correction
        _tell(self.address, 1)
        self.state["wanted"] = self._in_samples(correction)
        _tell(self.address, 1)

    def _in_samples(self, correction: Correction) -> list[float]:
        values = list(correction.values)
        values[HOLD:] = [microseconds * 1e-6 * self._rate for microseconds in values[HOLD:]]
        return values
