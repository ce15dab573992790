"""One run of the callback bench in a process of its own: `bench_callback.py KIND SECONDS GIL_HOGS [window]`.

KIND is `compiled` (the engine's own callback, called by PortAudio), `jack` (the same, called by the native driver),
`python` (the same work called from an ordinary Python callback), `empty` (a compiled callback that writes silence,
called by PortAudio: the floor that this machine allows) or `idle` (the native driver with nothing to play: the floor of
what it counts itself, each period that the server lost).
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import sounddevice
from numba import carray, cfunc, types

from instrument.audio.jack.jack_driver import JackDriver
from instrument.audio.jack.server import jack_devices
from instrument.engine.engine import CALLBACK_ADDRESS, Engine
from instrument.engine.memory.allocation import allocate
from instrument.engine.signal.render import STREAM_SIGNATURE
from instrument.measure.callback_cost import percentile_us, reference_program

if TYPE_CHECKING:
    from collections.abc import Iterator

BLOCK = 64
LAYERS = 4
UNDERFLOW = 4
"""paOutputUnderflow, from portaudio.h."""

SETTLE_SECONDS = 1.0


@cfunc(STREAM_SIGNATURE, error_model="numpy")  # type: ignore[untyped-decorator]
def silence(incoming: Any, outgoing: Any, frames: Any, time_info: Any, flags: Any, counts: Any) -> Any:
    """Write silence; count callbacks and underflows."""
    out = carray(outgoing, 2 * np.int64(frames))
    for i in range(2 * np.int64(frames)):
        out[i] = 0.0
    c = carray(counts, 2, types.int64)
    c[0] += 1
    if flags & UNDERFLOW:
        c[1] += 1
    return 0


class NativeStream(sounddevice._StreamBase):  # type: ignore[misc]
    """A PortAudio output stream whose callback is machine code."""

    def __init__(self, address: int, user_data: int, rate: float) -> None:
        super().__init__(
            kind="output",
            samplerate=rate,
            channels=2,
            blocksize=BLOCK,
            dtype="float32",
            latency="low",
            callback=sounddevice._ffi.cast("PaStreamCallback*", address),
            userdata=sounddevice._ffi.cast("void*", user_data),
        )


@contextmanager
def native_driver(engine: Engine) -> Iterator[None]:
    """Play through JACK itself; lost periods are counted as underflows."""
    device = next(iter(jack_devices()), None)
    if device is None:
        raise SystemExit("no JACK server answers")
    with JackDriver(engine, device) as driver:
        driver.start()
        yield


def hold_gil(until: float) -> None:
    """Compute in Python until a time of the monotonic clock."""
    while time.monotonic() < until:
        sum(k * k for k in range(100_000))


def main() -> None:
    """Run once and print the figures as JSON."""
    kind, seconds, hogs = sys.argv[1], float(sys.argv[2]), int(sys.argv[3])
    rate = sounddevice.query_devices(kind="output")["default_samplerate"]
    engine = Engine(rate, allocate(rate, shared=True))
    if kind != "idle":
        engine.play(reference_program(LAYERS))
    counts = np.zeros(2, np.int64)
    late = [0]

    def python_callback(out: Any, frames: int, when: Any, status: Any) -> None:
        late[0] += bool(status.output_underflow)
        engine.render_into(out)

    stream: Any
    if kind in {"jack", "idle"}:
        stream = native_driver(engine)
    elif kind == "empty":
        stream = NativeStream(silence.address, counts.ctypes.data, rate)
    elif kind == "compiled":
        stream = NativeStream(CALLBACK_ADDRESS, engine.memory.address, rate)
    else:
        stream = sounddevice.OutputStream(
            rate, BLOCK, channels=2, dtype="float32", latency="low", callback=python_callback
        )
    window = None
    if "window" in sys.argv[4:]:
        command = [sys.executable, "-m", "instrument.window", engine.memory.name, str(rate)]
        window = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL)
    counters = engine.record["counters"]
    with stream:
        time.sleep(SETTLE_SECONDS)
        before = np.array(counters)
        first, first_late = counts.copy(), late[0]
        until = time.monotonic() + seconds
        for _ in range(hogs):
            threading.Thread(target=hold_gil, args=(until,), daemon=True).start()
        time.sleep(seconds)
        after = np.array(counters)
        counts -= first
        late[0] -= first_late
    if window is not None:
        if window.poll() is not None:
            raise SystemExit("the window ended during the measurement")
        window.kill()
    histogram = after["histogram"] - before["histogram"]
    underflows = int(after["underflows"] - before["underflows"]) + int(counts[1]) + late[0]
    callbacks = int(counts[0]) if kind == "empty" else int(after["callbacks"] - before["callbacks"])
    figures = {
        "callbacks": callbacks,
        "underflows": underflows,
        "p50_us": percentile_us(histogram, 0.5),
        "p999_us": percentile_us(histogram, 0.999),
        "longest_us": int(after["longest_ns"]) / 1000 if kind != "empty" else 0.0,
    }
    print(json.dumps(figures))
    engine.memory.close()


if __name__ == "__main__":
    main()
