"""A JACK client in a process of its own, which plays into the instrument and listens to what a device has got.

A process knows one JACK library only, and that of the tests is jackd's: this one takes whichever its environment names.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Self

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

SETTLE_SECONDS = 0.3
"""PipeWire says that ports are connected before anything comes through them, and one may come before the other."""

LEAD = 9600
"""Frames from a request until the first of its messages is due."""


class Heard(NamedTuple):
    """What was heard.

    Attributes
    ----------
    sound : np.ndarray [shape=(n, 2), dtype=float32]
    first : int
        Server's frame of its first one.
    known : np.ndarray [shape=(n,), dtype=bool]
        Whether we were called for that frame, or lost its period ourselves.
    period : int
    """

    sound: npt.NDArray[np.float32]
    first: int
    known: npt.NDArray[np.bool_]
    period: int


class FarEar:
    """The process, as the tests see it.

    Parameters
    ----------
    environment : dict of str to str
    """

    def __init__(self, environment: dict[str, str]) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="ear")
        self.process = subprocess.Popen(
            [sys.executable, __file__],
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        self.process.kill()
        self.process.communicate()
        self._folder.cleanup()

    def hear(self, device: str, seconds: float) -> Heard:
        """Record what a sink gets, from the moment on when it gets anything but silence."""
        path = str(Path(self._folder.name) / "heard.npz")
        self._ask(do="record", device=device, seconds=seconds, path=path)
        return self._collect(path)

    def send_and_hear(
        self, device: str, messages: Sequence[tuple[int, tuple[int, ...]]], seconds: float
    ) -> tuple[Heard, list[int]]:
        """Send messages on frames to the instrument and record meanwhile; return the frames on which they were sent."""
        path = str(Path(self._folder.name) / "heard.npz")
        sent = self._ask(do="record", device=device, seconds=seconds, path=path, messages=messages)["sent"]
        return self._collect(path), [int(frame) for frame in sent]

    def _collect(self, path: str) -> Heard:
        with np.load(path) as kept:
            return Heard(kept["sound"], int(kept["first"]), kept["known"], int(kept["period"]))

    def _ask(self, **request: Any) -> dict[str, Any]:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(request) + "\n")
        self.process.stdin.flush()
        line = self.process.stdout.readline()
        assert line, "the listener has ended"
        answer: dict[str, Any] = json.loads(line)
        assert "error" not in answer, answer
        return answer


def main() -> None:
    """Listen to requests, one JSON object a line."""
    import jack  # noqa: PLC0415 - only in the process of its own

    for line in sys.stdin:
        request = json.loads(line)
        try:
            answer = _record(jack, request)
        except (jack.JackError, TimeoutError) as error:
            answer = {"error": str(error)}
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


def _record(jack: Any, request: dict[str, Any]) -> dict[str, Any]:
    import threading  # noqa: PLC0415 - as above

    client = jack.Client("ear", no_start_server=True)
    inputs = [client.inports.register(f"in_{k}") for k in range(2)]
    out = client.midi_outports.register("out")
    length = round(request["seconds"] * client.samplerate)
    sound, known = np.zeros((length, 2), np.float32), np.zeros(length, bool)
    first: list[int] = []
    waiting: list[tuple[int, list[int]]] = []
    sent: list[int] = []
    full = threading.Event()

    def process(frames: int) -> None:
        out.clear_buffer()
        now = client.last_frame_time
        while waiting and waiting[0][0] < now + frames:
            frame, data = waiting.pop(0)
            place = max(frame - now, 0)
            out.write_midi_event(place, data)
            sent.append(now + place)
        rows = np.stack([port.get_array() for port in inputs], axis=1)
        if not first:
            if not recording.is_set() or not rows.any():
                return
            first.append(now)
        at = now - first[0]
        if at + frames > length:
            full.set()
            return
        sound[at : at + frames] = rows
        known[at : at + frames] = True

    recording = threading.Event()
    client.set_process_callback(process)
    with client:
        for port, side in zip(inputs, ("FL", "FR"), strict=True):
            client.connect(f"{request['device']}:monitor_{side}", port)
        messages = request.get("messages", ())
        if messages:
            client.connect(out, "Beamhand:Beamhand")
        time.sleep(SETTLE_SECONDS)
        start = client.frame_time + LEAD
        recording.set()
        waiting.extend((start + frame, data) for frame, data in messages)
        if not full.wait(request["seconds"] * 3 + 10):
            raise TimeoutError(f"nothing was heard from {request['device']}")
        np.savez(request["path"], sound=sound, known=known, first=first[0], period=client.blocksize)
    client.close()
    return {"sent": sent}


if __name__ == "__main__":
    main()
