"""Between PortAudio and the engine: whether a stream may call the engine, and how often it has called.

A stream that hangs inside a library of the sound system cannot be ended from outside, and may call again after another
driver has taken over. Its callback is therefore this one, which reads at every call whether it may go on:

* at first it hands out silence, so that a device is known to play before it is played through;
* then it calls the engine, or the `Outlet` before it;
* once it is shut it never does again, and tells PortAudio to end the stream.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import llvmlite.binding
import numpy as np
from numba import cfunc, from_dtype, types

from instrument.audio.device_output import FEED_ADDRESS
from instrument.audio.driver import STALL_SECONDS
from instrument.engine.compiling.compiled import ENTRY_OPTIONS, compiled, keep_text, quiet
from instrument.engine.engine import CALLBACK_ADDRESS
from instrument.engine.memory.machine import fence, pointer_to, record_at
from instrument.engine.signal.render import STREAM_SIGNATURE

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.audio.device_output import Outlet
    from instrument.engine.engine import Engine

SILENT, OPEN, SHUT = 0, 1, 2

CONTINUE, ABORT = 0, 2
"""paContinue and paAbort of portaudio.h."""

STATE = np.dtype(
    [
        ("memory", "u8"),  # address of the engine's memory
        ("outlet", "u8"),  # address of an outlet's state, or 0
        ("channels", "i8"),  # of the device
        ("mode", "i8"),  # one of the three above
        ("inside", "i8"),  # 1 while the engine may be called
        ("calls", "i8"),
        ("answer", "i8"),  # whether PortAudio is to go on
    ],
    align=True,
)

llvmlite.binding.add_symbol("beamhand_stream", CALLBACK_ADDRESS)
llvmlite.binding.add_symbol("beamhand_feed", FEED_ADDRESS)
_stream = types.ExternalFunction("beamhand_stream", STREAM_SIGNATURE)
_feed = types.ExternalFunction("beamhand_feed", STREAM_SIGNATURE)
_as_state = record_at(from_dtype(STATE))
_untyped = pointer_to(types.voidptr)


@compiled
def run_gate(s, incoming, outgoing, frames, flags):
    """Fill the device's block.

    What comes in: the state, the device's live input, frames, PortAudio's flags.
    What goes out: the engine's sound or silence, always filled; whether the stream is to go on.
    What it must never do: allocate, raise, wait, call Python; call the engine once it is shut.
    """
    s.calls += 1
    s.inside = 1
    fence()
    mode = s.mode
    nothing = _untyped(np.uint64(0))
    if mode != OPEN:
        for i in range(frames * s.channels):
            outgoing[i] = np.float32(0.0)
    elif s.outlet != 0:
        _feed(incoming, outgoing, np.uint64(frames), nothing, flags, _untyped(s.outlet))
    else:
        _stream(incoming, outgoing, np.uint64(frames), nothing, flags, _untyped(s.memory))
    s.answer = ABORT if mode == SHUT else CONTINUE
    fence()
    s.inside = 0


_run_gate = quiet(run_gate)


@cfunc(STREAM_SIGNATURE, cache=True, **ENTRY_OPTIONS)
def pass_gate(incoming: Any, outgoing: Any, frames: Any, _time_info: Any, flags: Any, state: Any) -> Any:
    """PaStreamCallback; the user data is the address of a gate's state."""
    s = _as_state(state)
    _run_gate((s, incoming, outgoing, np.int64(frames), np.uint64(flags)))
    return s.answer


keep_text("gate", pass_gate)

GATE_ADDRESS = int(pass_gate.address)


class StreamGate:
    """The user data of one stream.

    Parameters
    ----------
    engine : Engine
    outlet : Outlet or None
        What makes more or something else than two channels at the engine's rate.
    channels : int
        Of the device.

    Attributes
    ----------
    state : np.ndarray [dtype=STATE]
        Stays alive while anybody may call.
    """

    def __init__(self, engine: Engine, outlet: Outlet | None, channels: int) -> None:
        self._kept = engine, outlet
        self.state: npt.NDArray[np.void] = np.zeros((), STATE)
        self.state["memory"] = engine.memory.address
        self.state["outlet"] = outlet.address if outlet is not None else 0
        self.state["channels"] = channels

    @property
    def address(self) -> int:
        """Address of the state."""
        return int(self.state.ctypes.data)

    @property
    def calls(self) -> int:
        """Number of times that the stream has asked for sound, or silence."""
        return int(self.state["calls"])

    @property
    def is_shut(self) -> bool:
        """Whether the engine is never called again."""
        return int(self.state["mode"]) == SHUT

    def open(self) -> None:
        """Let the engine be called."""
        if not self.is_shut:
            self.state["mode"] = OPEN

    def hush(self) -> None:
        """Hand out silence until it is opened again; returns when the last call has ended."""
        if not self.is_shut:
            self.state["mode"] = SILENT
            self._wait()

    def shut(self) -> None:
        """Let the engine never be called again; returns when the last call has ended."""
        self.state["mode"] = SHUT
        self._wait()

    def _wait(self) -> None:
        # A call takes less than its block; more only for a thread that gets no processor.
        deadline = time.monotonic() + STALL_SECONDS
        while int(self.state["inside"]) and time.monotonic() < deadline:
            time.sleep(0.0005)
