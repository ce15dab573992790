"""Between the engine and a device that wants more or something else than two channels at the engine's rate.

A compiled callback with PortAudio's signature, as the engine's own, which it calls. Sample by sample, whatever the
block, it

* resamples where the device runs at another rate than the performance, which therefore goes on as it is: events,
  takes and the window know the engine's rate alone;
* gives the display what it needs (`corrector`), which nobody else gets;
* adds a pair for loudspeakers, which is the display's without direct voltage, and a channel for a display's
  brightness input, which is dark while the beam jumps;
* fades in what follows a silence, so that a device that begins, or is back, does not bang.

Where none of this is wanted nobody calls it, and it costs nothing.
"""

from __future__ import annotations

import ctypes
from math import gcd
from typing import TYPE_CHECKING, Any

import llvmlite.binding
import numpy as np
from numba import cfunc, from_dtype, types

from instrument.audio.correction import CORRECT_SIGNATURE, Corrector
from instrument.audio.correction_table import Correction
from instrument.engine.compiling.compiled import ENTRY_OPTIONS, compiled, keep_text, quiet
from instrument.engine.engine import CALLBACK_ADDRESS
from instrument.engine.memory.machine import address, as_memory, pointer_to, record_at
from instrument.engine.signal.output import guard
from instrument.engine.signal.render import STREAM_SIGNATURE

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.audio.output_channels import Outputs
    from instrument.engine.engine import Engine

SLICE = 1024
"""Frames made at once; a longer block is several slices."""

MOST_CHANNELS = 5

CORNER = 20.0
"""Hertz below which the loudspeakers' pair falls off, 6 dB an octave: the lowest that is heard (common practice, no
source)."""

FASTER = 3.0
"""At so many times its usual speed the beam jumps; as in `measure.jumps`."""

STANDING = 1e-4
"""Full scale from one sample to the next up to which it does not; as in `measure.jumps`."""

USUAL_SECONDS = 0.02
"""Time over which the usual speed is formed (our choice)."""

FADE_SECONDS = 0.02

PHASES = 256
"""Filters of the resampler between two samples of the engine; between two filters it interpolates."""

HALF = 16
"""Zero crossings of the filter's sinc to either side."""

TAPS = 160
"""Longest filter: from 192 to 44.1 kHz it is 4.4 times as long as between equal rates."""

_HISTORY = 5 * SLICE + 2 * TAPS

_PASSED = 0.92
"""Of the lower half rate, what the filter passes at half its voltage."""

_KAISER = 9.0
"""Shape of its window: side lobes 90 dB down (J. F. Kaiser, 1974; from memory)."""

STATE = np.dtype(
    [
        ("own", "u8"),  # address of this record
        ("memory", "u8"),  # address of the engine's memory
        ("corrector", "u8"),  # address of a corrector's state
        ("channels", "i8"),
        ("pa", "i8"),  # 1 for the pair for loudspeakers
        ("z", "f8"),  # level of the channel of brightness where there is light, 0 for none
        ("pole", "f8"),
        ("dc_in", "f8", (2,)),
        ("dc_out", "f8", (2,)),
        ("latest", "f8", (2,)),
        ("usual", "f8"),  # speed of the beam, full scale a sample
        ("forget", "f8"),
        ("fade_left", "i8"),
        ("fade_length", "i8"),
        (
            "step",
            "i8",
        ),  # engine frames for each frame of the device, as step / whole; equal for none to be made
        ("whole", "i8"),
        ("place", "i8"),  # of the next frame, from the first of history, in 1 / whole
        ("taps", "i8"),
        ("held", "i8"),  # frames of history
        ("table", "f8", (PHASES + 1, TAPS)),
        ("history", "f4", (2 * _HISTORY,)),
        ("rendered", "f4", (2 * SLICE,)),
        ("shown", "f4", (2 * SLICE,)),  # what the display gets of it
    ],
    align=True,
)

_STATE_TYPE = from_dtype(STATE)


def _offset(field: str) -> int:
    fields = STATE.fields
    return int(fields[field][1]) if fields is not None else 0


_HISTORY_AT, _RENDERED_AT, _SHOWN_AT = _offset("history"), _offset("rendered"), _offset("shown")

_SMALLEST = 1e-30
"""Below this the decaying filter is silent, so that nothing becomes subnormal."""

_KNEE = 0.9
"""A signal without its direct voltage may reach further to one side than with it."""

llvmlite.binding.add_symbol("beamhand_stream", CALLBACK_ADDRESS)
_stream = types.ExternalFunction("beamhand_stream", STREAM_SIGNATURE)
_correct = types.ExternalFunction("beamhand_correct", CORRECT_SIGNATURE)


_as_state = record_at(_STATE_TYPE)
_untyped = pointer_to(types.voidptr)
_floats = pointer_to(types.CPointer(types.float32))


@compiled
def _resample(s, n, flags):
    # The engine is asked for as much as the filter reaches; what it gave and is still needed stays.
    nothing = _floats(np.uint64(0))
    history = s.history
    last = (s.place + (n - 1) * s.step) // s.whole + s.taps
    missing = last - s.held
    if missing > 0:
        at = _floats(s.own + np.uint64(_HISTORY_AT + 8 * s.held))
        _stream(nothing, at, np.uint64(missing), _untyped(np.uint64(0)), flags, _untyped(s.memory))
        s.held = last
    for i in range(n):
        place = s.place + i * s.step
        base = place // s.whole
        phase = (place - base * s.whole) / s.whole * PHASES
        row = min(np.int64(phase), np.int64(PHASES - 1))
        share = phase - row
        x = 0.0
        y = 0.0
        for k in range(s.taps):
            weight = s.table[row, k] + share * (s.table[row + 1, k] - s.table[row, k])
            x += weight * history[2 * (base + k)]
            y += weight * history[2 * (base + k) + 1]
        s.rendered[2 * i] = guard(x, _KNEE, 1.0)
        s.rendered[2 * i + 1] = guard(y, _KNEE, 1.0)
    s.place += n * s.step
    used = min(s.place // s.whole, s.held)
    for k in range(2 * used, 2 * s.held):
        history[k - 2 * used] = history[k]
    s.held -= used
    s.place -= used * s.whole


@compiled
def _block_dc(s, side, value):
    # First-order high-pass as in `engine.output`: its input is within full scale and its gain at most 1.
    out = 0.5 * (1.0 + s.pole) * (value - s.dc_in[side]) + s.pole * s.dc_out[side]
    out = out if abs(out) > _SMALLEST else 0.0
    s.dc_in[side] = value
    s.dc_out[side] = out
    return guard(out, _KNEE, 1.0)


@compiled
def _light(s, x, y):
    # A jump counts for the usual speed as no more than the slowest jump, and a resting beam brings it down to 0.
    dx = x - s.latest[0]
    dy = y - s.latest[1]
    step = np.sqrt(dx * dx + dy * dy)
    s.latest[0] = x
    s.latest[1] = y
    most = max(FASTER * s.usual, STANDING)
    s.usual += s.forget * (min(step, most) - s.usual)
    s.usual = s.usual if s.usual > _SMALLEST else 0.0
    return s.z if step <= most else 0.0


@compiled
def _fill(s, out, at, n):
    # Brightness goes with the beam where the display draws it, loudspeakers with what the patch draws.
    channels = s.channels
    for i in range(n):
        x = np.float64(s.shown[2 * i])
        y = np.float64(s.shown[2 * i + 1])
        gain = 1.0
        if s.fade_left > 0:
            gain = 1.0 - s.fade_left / s.fade_length
            s.fade_left -= 1
        first = channels * (at + i)
        out[first] = np.float32(x * gain)
        out[first + 1] = np.float32(y * gain)
        if s.pa != 0:
            out[first + 2] = np.float32(_block_dc(s, 0, np.float64(s.rendered[2 * i])) * gain)
            out[first + 3] = np.float32(_block_dc(s, 1, np.float64(s.rendered[2 * i + 1])) * gain)
        if s.z != 0.0:
            out[first + channels - 1] = np.float32(_light(s, x, y))


@compiled
def run_outlet(s, incoming, out, frames, flags):
    """Fill the device's block.

    What comes in: the state, the device's live input (none while resampling), frames, PortAudio's flags.
    What goes out: `channels` interleaved, always filled.
    What it must never do: allocate, raise, wait, call Python; nor let the block size show in the bits.
    """
    taken = as_memory(_untyped(s.memory)).input_channels
    done = np.int64(0)
    while done < frames:
        n = min(np.int64(SLICE), frames - done)
        if s.step != s.whole:
            _resample(s, n, flags)
        else:
            source = _floats(address(incoming) + np.uint64(4 * taken * done))
            into = _floats(s.own + np.uint64(_RENDERED_AT))
            _stream(source, into, np.uint64(n), _untyped(np.uint64(0)), flags, _untyped(s.memory))
        flags = np.uint64(0)
        given = _floats(s.own + np.uint64(_RENDERED_AT))
        shown = _floats(s.own + np.uint64(_SHOWN_AT))
        _correct(_untyped(s.corrector), given, shown, n)
        _fill(s, out, done, n)
        done += n


_run_outlet = quiet(run_outlet)


@cfunc(STREAM_SIGNATURE, cache=True, **ENTRY_OPTIONS)
def feed(incoming: Any, outgoing: Any, frames: Any, time_info: Any, flags: Any, state: Any) -> Any:
    """PaStreamCallback; the user data is the address of an `Outlet`'s state."""
    _run_outlet((_as_state(state), incoming, outgoing, np.int64(frames), np.uint64(flags)))
    return 0


keep_text("outlet", feed)

FEED_ADDRESS = int(feed.address)

_feed = ctypes.CFUNCTYPE(
    ctypes.c_int,
    *(ctypes.c_void_p, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_void_p),
)(FEED_ADDRESS)


class Outlet:
    """Samples for a device, made from the engine's.

    Parameters
    ----------
    engine : Engine
    outputs : Outputs
    rate : float
        The device's sample rate in hertz.

    Attributes
    ----------
    state : np.ndarray [dtype=STATE]
        User data of `feed`; stays alive while anybody may call it.
    corrector : Corrector
        Changes what the display needs, while it plays.
    """

    def __init__(self, engine: Engine, outputs: Outputs, rate: float) -> None:
        state: npt.NDArray[np.void] = np.zeros((), STATE)
        self._engine = engine  # whose memory must not go before this does
        state["own"] = state.ctypes.data
        state["memory"] = engine.memory.address
        self.corrector = Corrector(outputs.correction or Correction(), rate)
        state["corrector"] = self.corrector.address
        state["channels"] = outputs.channels
        state["pa"] = int(outputs.pa)
        state["z"] = outputs.z
        half = np.pi * CORNER / rate
        state["pole"] = (1.0 - half) / (1.0 + half)
        state["forget"] = 1.0 / (USUAL_SECONDS * rate)
        common = gcd(round(engine.rate), round(rate))
        state["step"], state["whole"] = round(engine.rate) // common, round(rate) // common
        state["fade_left"] = state["fade_length"] = round(FADE_SECONDS * rate)
        if state["step"] != state["whole"]:
            table = filters(engine.rate, rate)
            state["taps"] = table.shape[1]
            state["table"][:, : table.shape[1]] = table
        self.state = state
        self.outputs = outputs

    def fill(self, out: npt.NDArray[np.float32]) -> None:
        """Render what a device without live input would get next.

        Parameters
        ----------
        out : np.ndarray [shape=(n, channels), dtype=float32, C order]
        """
        if out.dtype != np.float32 or out.shape[1:] != (self.outputs.channels,) or not out.flags.c_contiguous:
            raise ValueError(f"a block is float32 of (frames, {self.outputs.channels}), got {out.dtype} of {out.shape}")
        _feed(None, out.ctypes.data, len(out), None, 0, self.address)

    @property
    def address(self) -> int:
        """Address of the state."""
        return int(self.state.ctypes.data)


def filters(engine_rate: float, rate: float) -> npt.NDArray[np.float64]:
    """Return the resampler's filters, a row for each place between two samples of the engine.

    Each is a sinc under a Kaiser window, of the lower of both rates, and passes a constant exactly (J. O. Smith,
    Digital Audio Resampling, 2002; from memory).

    Parameters
    ----------
    engine_rate, rate : float
        Hertz.

    Returns
    -------
    np.ndarray [shape=(PHASES + 1, taps)]
    """
    narrower = min(1.0, rate / engine_rate)
    half = int(np.ceil(HALF / narrower))
    from_centre = np.arange(2 * half) - (half - 1) - np.arange(PHASES + 1)[:, None] / PHASES
    cut = narrower * _PASSED
    window = np.i0(_KAISER * np.sqrt(np.clip(1 - (from_centre / half) ** 2, 0, 1))) / np.i0(_KAISER)
    table = cut * np.sinc(cut * from_centre) * window
    return np.asarray(table / table.sum(axis=1, keepdims=True))
