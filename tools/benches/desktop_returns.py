"""How soon the sound is back on a desktop's sound server: python3 tools/benches/desktop_returns.py [--times N] [WAY ...].

A show plays through PipeWire's JACK layer (``jack``) or its ALSA device (``alsa``) into a null sink, while the server is
killed and started again, its rate and its block are changed and another default device is chosen, by turns; and as a control
nothing is done, which tells of a machine with too little time for the sound itself. Prints, for each,
after how many seconds a second JACK client heard the sink play without a gap again; after the server's end, from the moment
on at which its sink was there again. Exit status 1 if that took longer than `LONGEST`, and the control did not.
"""

from __future__ import annotations

import argparse
import itertools
import os
import shutil
import statistics
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from tools.trials.fault_studio import Script, end, end_in_order, memory_of, scratch
from tools.trials.known_environment import enter_known_environment
from tools.trials.pipewire_studio import SINK, PipeWireStudio

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_Either = TypeVar("_Either")

ROOT = Path(__file__).resolve().parents[2]

LONGEST = 3.0
"""Seconds; what a performer is promised."""

OTHER = "Pier"
"""Description of a second sink."""

CONTROL = "nothing"

_GAP = 0.05
"""Seconds without sound from which it was gone: more than any period here."""

_WATCHED = 4.0
"""Seconds for which each change is listened to; it may take more than one silence."""

_PATIENCE = 20.0

PATCH = 'schema = 1\n[[layer]]\n[layer.source]\nkind = "harmonic"\npreset = "circle"\n'

EAR = """
import sys, time
import jack

while True:
    try:
        client = jack.Client("ear", no_start_server=True)
        break
    except jack.JackError:
        time.sleep(0.02)
ports = [client.inports.register(side) for side in ("FL", "FR")]
last = 0.0

@client.set_process_callback
def process(frames):
    global last
    if not any(port.get_array().any() for port in ports):
        return
    now = time.monotonic()
    if now - last > %(gap)r:
        print("heard", now, flush=True)
    last = now

client.activate()
for port in ports:
    while not port.connections:
        try:
            client.connect(f"%(sink)s:monitor_{port.shortname}", port)
        except jack.JackError:
            pass
        time.sleep(0.02)
for line in sys.stdin:
    print("last", last, flush=True)
"""
"""A JACK client that tells when it hears a sink play after a gap, and when asked, when it last heard it."""


def ear(sink: str, environment: Mapping[str, str]) -> Script:
    """Return a listener to a sink."""
    return Script(EAR % {"gap": _GAP, "sink": sink}, environment)


def heard_again(listener: Script, since: float) -> float:
    """Return after how many seconds a sink played without a gap again; infinite if it does not.

    Parameters
    ----------
    listener : Script
    since : float
        Seconds of the monotonic clock.
    """
    time.sleep(max(0.0, since + _WATCHED - time.monotonic()))
    while time.monotonic() < since + _PATIENCE:
        listener.ask()
        time.sleep(0.1)
        lasts = [float(words[1]) for words in listener.said if words[0] == "last"]
        if lasts and lasts[-1] > time.monotonic() - 0.3:
            times = [float(words[1]) - since for words in listener.said if words[0] == "heard"]
            return max([0.0, *times])
    return float("inf")


def measure(way: str, times: int) -> Iterator[tuple[str, list[float]]]:
    """Measure every change; yield its name and the seconds."""
    with ExitStack() as ending:
        folder = scratch()
        ending.callback(shutil.rmtree, folder, ignore_errors=True)
        patch = folder / "circle.toml"
        patch.write_text(PATCH)
        studio = ending.enter_context(PipeWireStudio())
        studio.plug(OTHER)
        studio.make_default(SINK)
        environment = dict(studio.environment if way == "jack" else studio.without_jack)
        environment |= {"PYTHONPATH": str(ROOT), "XDG_STATE_HOME": str(folder), "XDG_CONFIG_HOME": str(folder)}
        command = [sys.executable, "-m", "instrument.cli", "play", str(patch), "--no-window"]
        show = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL, cwd=ROOT)
        ending.callback(end, show)
        memory = memory_of(show)
        ending.callback(memory.close)
        while int(memory.record["ring_at"]) < 4800 and show.poll() is None:
            time.sleep(0.05)
        yield CONTROL, [_clock(studio) for _ in range(times)]
        yield "another rate", [_clock(studio, rate=rate) for rate in _by_turns(44_100, 48_000, times)]
        yield "another block", [_clock(studio, quantum=block) for block in _by_turns(1024, 256, times)]
        yield "another default device", [_device(studio, sink) for sink in _by_turns(OTHER, SINK, times)]
        yield "server killed and started", [_server(studio) for _ in range(times)]
        if show.poll() is not None:
            raise RuntimeError(f"the show has ended with status {show.returncode}")


def _by_turns(one: _Either, other: _Either, times: int) -> Iterator[_Either]:
    return itertools.islice(itertools.cycle((one, other)), times)


def _clock(studio: PipeWireStudio, **values: int) -> float:
    listener = ear(SINK, studio.environment)
    time.sleep(1.5)
    since = time.monotonic()
    studio.set_clock(**values)
    found = heard_again(listener, since)
    listener.leave()
    return found


def _device(studio: PipeWireStudio, sink: str) -> float:
    listener = ear(sink, studio.environment)
    time.sleep(1.5)
    since = time.monotonic()
    studio.make_default(sink)
    found = heard_again(listener, since)
    listener.leave()
    return found


def _server(studio: PipeWireStudio) -> float:
    studio.crash()
    listener = ear(SINK, studio.environment)
    time.sleep(2.0)
    studio.begin()
    found = heard_again(listener, time.monotonic())
    listener.leave()
    return found


def main() -> int:
    """Run from the command line."""
    enter_known_environment()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("ways", nargs="*", default=["jack", "alsa"], metavar="WAY", help="jack, alsa")
    parser.add_argument("--times", type=int, default=6)
    given = parser.parse_args()
    end_in_order()
    longest, control = 0.0, 0.0
    print(f"seconds until it is heard again, {given.times} times each, on {os.cpu_count()} cores")
    for way in given.ways:
        for name, found in measure(way, given.times):
            median = statistics.median(found)
            print(f"{way}, {name}: median {median:.2f}, {min(found):.2f} to {max(found):.2f}", flush=True)
            if name == CONTROL:
                control = max(control, *found)
            longest = max(longest, *found)
    return 0 if longest <= LONGEST or control > LONGEST else 1


if __name__ == "__main__":
    sys.exit(main())
