"""Time from a controller to the sound, measured from outside: python3 tools/benches/latency_probe.py [--events N] [--json].

A JACK client sends a control change on a known frame and looks for the first frame on which the instrument's output
differs. It plays a patch whose output is a constant that the controller moves.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import jack
import numpy as np

from tools.trials.known_environment import enter_known_environment
from tools.trials.stand_ins import busy_cores, jack_server, screen

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

ROOT = Path(__file__).resolve().parents[2]
RATE, PERIOD = 48_000, 64
PATCH = """schema = 1
title = "Latency"
ramp = 0
fade = 0

[[control]]
message = "cc"
number = 1
parameter = "output.offset.x"
range = [0, 0.5]
"""
STARTING_SECONDS = 6.0
"""Until what holds Python begins: before that it would only hold up the imports."""

PLAYER = """
import threading, time
from instrument.cli.main import app

def hold_python():
    time.sleep({after})
    while True:
        sum(k * k for k in range(100_000))

for _ in range({hogs}):
    threading.Thread(target=hold_python, daemon=True).start()
app()
"""
MIDI_INPUT = "Beamhand:Beamhand"
AUDIO_OUTPUTS = {"jack": "Beamhand:out_1", "system": "PortAudio:out_0"}
"""Ports by which the sound leaves, by the device that plays: the native driver, and PortAudio's."""

_STEP = 0.1
"""Of full scale: less than the controller moves the output by, more than any noise."""

_PATIENCE = 1.0
_START_SECONDS = 90.0
_PAUSE = (0.011, 0.023)
"""Shortest and longest pause between two events in seconds, so that every place in a period is met."""


@dataclass(frozen=True)
class Latency:
    """Latencies that were measured.

    Attributes
    ----------
    events, lost : int
        Control changes sent, and those that nothing followed.
    median, p1, p99, longest : float
        Milliseconds from sending a message to the first frame that it changed.
    jitter : float
        p99 - p1 in milliseconds.
    xruns : int
        Periods that the JACK server lost meanwhile, with whatever was under way in them.
    uneven : int
        Control changes that took another time than most, whole periods apart, by more than a frame.
    """

    events: int
    lost: int
    median: float
    p1: float
    p99: float
    longest: float
    jitter: float
    xruns: int
    uneven: int


class Probe:
    """The JACK client, which measures while it is active.

    Parameters
    ----------
    server : str
        Name of the JACK server.
    """

    def __init__(self, server: str) -> None:
        self.frames: list[int] = []
        """Latencies found, in frames."""
        self.sent = 0
        self.lost = 0
        self._client = jack.Client("latency_probe", servername=server, no_start_server=True)
        self._midi = self._client.midi_outports.register("out")
        self._audio = self._client.inports.register("in")
        self._random = random.Random(7)
        self._left = 0
        self._wait = self._client.samplerate
        self._sent_at = -1
        self._level = np.float32(0.0)
        self._high = False
        self._xruns = 0
        self._client.set_process_callback(self._process)
        self._client.set_xrun_callback(self._count_xrun)
        self._client.activate()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        self._client.deactivate()
        self._client.close()

    def connect(self, audio: str, midi: str = MIDI_INPUT) -> None:
        """Connect to the instrument, once it is there.

        Raises
        ------
        TimeoutError
            If it does not come.
        """
        deadline = time.monotonic() + _START_SECONDS
        while not (self._there(midi) and self._there(audio)):
            if time.monotonic() > deadline:
                raise TimeoutError(f"no {midi} and {audio} after {_START_SECONDS:g} s")
            time.sleep(0.05)
        self._client.connect(self._midi, midi)
        self._client.connect(audio, self._audio)
        time.sleep(0.5)

    def measure(self, events: int) -> Latency:
        """Send control changes and return the time until each is heard.

        Raises
        ------
        RuntimeError
            If no event is heard at all.
        """
        self.frames, self.sent, self.lost, self._xruns = [], 0, 0, 0
        self._left = events
        while self._left or self._sent_at >= 0:
            time.sleep(0.05)
        if not self.frames:
            raise RuntimeError("the output never changed")
        found = np.array(self.frames) * 1000.0 / self._client.samplerate
        median, low, high = np.percentile(found, [50, 1, 99]).tolist()
        period = self._client.blocksize
        within = np.array(self.frames) % period
        usual = np.bincount(within).argmax()
        apart = np.minimum((within - usual) % period, (usual - within) % period)
        uneven = int((apart > 1).sum())
        return Latency(self.sent, self.lost, median, low, high, float(found.max()), high - low, self._xruns, uneven)

    def _there(self, port: str) -> bool:
        return bool(self._client.get_ports(f"^{port}$"))

    def _count_xrun(self, _delayed: float) -> None:
        self._xruns += 1

    def _process(self, frames: int) -> None:
        # Runs in JACK's real-time thread of this process, which does nothing else.
        self._midi.clear_buffer()
        now = self._client.last_frame_time
        sound = self._audio.get_array()
        if self._sent_at >= 0:
            changed = np.flatnonzero(np.abs(sound - self._level) > _STEP)
            if len(changed):
                self.frames.append(now + int(changed[0]) - self._sent_at)
            elif now - self._sent_at > _PATIENCE * self._client.samplerate:
                self.lost += 1
            else:
                return
            self._sent_at = -1
            self._wait = round(self._random.uniform(*_PAUSE) * self._client.samplerate)
        elif self._left and self._wait < frames:
            offset = max(self._wait, 0)
            self._level = sound[-1]
            self._high = not self._high
            self._midi.write_midi_event(offset, (0xB0, 1, 127 if self._high else 0))
            self._sent_at = now + offset
            self.sent += 1
            self._left -= 1
        self._wait -= frames


@contextmanager
def instrument(
    server: str,
    *arguments: str,
    audio: str = "jack",
    hogs: int = 0,
    environment: dict[str, str] | None = None,
) -> Iterator[int]:
    """Play the probe's patch in a process of its own; yield the process's number.

    Parameters
    ----------
    server : str
        Name of the JACK server.
    *arguments : str
        Of ``beamhand play``, after the patch.
    audio : str
        ``jack`` for the native driver, ``system`` for PortAudio's.
    hogs : int
        Threads that compute in Python within the instrument's own process.
    environment : dict of str to str, optional
        Variables besides those of this process.
    """
    with tempfile.TemporaryDirectory() as folder:
        patch = Path(folder) / "latency.toml"
        patch.write_text(PATCH)
        command = [sys.executable, "-c", PLAYER.format(hogs=hogs, after=STARTING_SECONDS), "play", str(patch)]
        player = subprocess.Popen(
            [*command, "--audio", audio, "--block", str(PERIOD), *arguments],
            cwd=ROOT,
            env={**os.environ, "JACK_DEFAULT_SERVER": server, **(environment or {})},
        )
        try:
            yield player.pid
        finally:
            player.terminate()
            try:
                player.wait(10)
            except subprocess.TimeoutExpired:
                player.kill()
                player.wait()


def probe(
    events: int,
    *,
    audio: str = "jack",
    window: bool = False,
    hogs: int = 0,
    load: AbstractContextManager[None] | None = None,
) -> Latency:
    """Measure the instrument on a JACK server of its own at 48 kHz in blocks of 64 frames.

    Parameters
    ----------
    events : int
        Control changes to send.
    audio : str
        ``jack`` for the native driver, ``system`` for PortAudio's with rtmidi.
    window : bool
        Whether the window is open meanwhile, on a virtual screen.
    hogs : int
        Threads that compute in Python within the instrument's own process.
    load : context manager, optional
        What keeps the machine busy meanwhile.
    """
    with ExitStack() as studio:
        server = studio.enter_context(jack_server(RATE, PERIOD))
        shown = {"DISPLAY": studio.enter_context(screen())} if window else {}
        arguments = [] if window else ["--no-window"]
        studio.enter_context(instrument(server, *arguments, audio=audio, hogs=hogs, environment=shown))
        if hogs:
            time.sleep(STARTING_SECONDS + 2.0)
        client = studio.enter_context(Probe(server))
        client.connect(AUDIO_OUTPUTS[audio])
        with load or nullcontext():
            time.sleep(1.0)
            return client.measure(events)


def main(arguments: list[str]) -> int:
    """Measure both drivers idle, with the window open, with the GIL hogged, and with every core busy; print rows."""
    enter_known_environment()
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=400)
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.add_argument("--driver", choices=["jack", "portaudio"], help="one driver alone")
    parser.add_argument("--only", choices=["idle", "window", "hogged", "busy"], help="one condition alone")
    options = parser.parse_args(arguments)
    cores = os.cpu_count() or 2
    conditions: dict[str, dict[str, Any]] = {
        "idle": {},
        "window": {"window": True},
        "hogged": {"hogs": 2},
        "busy": {},
    }
    period = PERIOD * 1000 / RATE
    if not options.json:
        print(
            f"targets: median <= {2 * period + 0.5:.2f} ms; jitter <= 1 frame ({1000 / RATE:.3f} ms) through JACK itself, "
            f"<= {period + 0.1:.2f} ms through PortAudio and rtmidi (not while Python is hogged in its own process)"
        )
    for driver, audio in (("jack", "jack"), ("portaudio", "system")):
        for name, settings in conditions.items():
            if options.only not in {None, name} or options.driver not in {None, driver}:
                continue
            load = busy_cores(max(cores, 2)) if name == "busy" else None
            found = probe(options.events, audio=audio, load=load, **settings)
            if options.json:
                print(json.dumps({"driver": driver, "condition": name, **asdict(found)}), flush=True)
            else:
                print(f"{driver:9} {name:7} {_row(found)}", flush=True)
    return 0


def _row(found: Latency) -> str:
    return (
        f"median {found.median:5.2f}  p1 {found.p1:5.2f}  p99 {found.p99:5.2f}  longest {found.longest:5.2f}  "
        f"jitter {found.jitter:5.3f} ms  ({found.events} events, {found.lost} lost, {found.xruns} xruns)"
    )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
