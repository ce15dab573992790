"""A long performance at 192 kHz with a patch recalled every second: python3 tools/trials/soak.py [--minutes M] [--json].

Prints how much memory the show has gained since its first minute, its underflows beside those of the driver with nothing to play
at the same time on a sound server of its own, and how far the clock by which events are placed drifts from
the sound. Exit status 1 if memory grows by 2 MiB or more, underflows are more than those (and what
chance allows), a frame of drift is found, or an event came late.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import signal
import statistics
import subprocess
import sys
import time
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import mido
import psutil

from instrument.midi.arrival_time import SampleClock
from tools.trials.fault_studio import end, end_in_order, memory_of, scratch
from tools.trials.known_environment import enter_known_environment
from tools.trials.stand_ins import jack_server

if TYPE_CHECKING:
    from instrument.engine.memory.allocation import Memory

ROOT = Path(__file__).resolve().parents[2]
RATE, PERIOD = 192_000, 64

MOST_GROWTH = 2 << 20
"""Bytes."""

FIRST_SECONDS = 60.0
"""After which memory is not to grow: caches of Python and of libraries are full by then."""

LOOK_SECONDS = 0.5
PAUSE_SECONDS = 0.002


@dataclass
class Report:
    """Outcome of a soak.

    Attributes
    ----------
    recalls : int
        Patches recalled.
    growth_bytes : int
        Resident memory of the show at the end, less that after its first minute.
    underflows, empty_underflows : int
    callbacks, empty_callbacks : int
    drift_frames : float
        Between audio time and event time, from the first to the last minute.
    late_events : int
    exit : int
        Of the show.
    """

    minutes: float
    rate: int
    block: int
    recalls: int = 0
    growth_bytes: int = 0
    resident_bytes: int = 0
    underflows: int = 0
    empty_underflows: int = 0
    callbacks: int = 0
    empty_callbacks: int = 0
    drift_frames: float = 0.0
    late_events: int = 0
    exit: int = -1

    @property
    def most_underflows(self) -> float:
        """Underflows that an equal callback may have by chance: three standard deviations of a difference of counts."""
        return self.empty_underflows + 3 * math.sqrt(2 * self.empty_underflows + 1)

    @property
    def good(self) -> bool:
        """Whether every target is met."""
        return (
            self.growth_bytes < MOST_GROWTH
            and self.underflows <= self.most_underflows
            and abs(self.drift_frames) < 1.0
            and self.late_events == 0
            and self.exit == 0
            and self.resident_bytes > 0
            and self.recalls > 0
        )


def _performance(folder: Path, seconds: float, patches: int) -> Path:
    # 480 ticks a beat at 120 beats a minute: 960 ticks a second.
    track = mido.MidiTrack([mido.Message("note_on", note=57, velocity=90)])
    for second in range(math.ceil(seconds) + 60):
        for knob in range(1, 9):
            track.append(mido.Message("control_change", control=knob, value=second * 7 * knob % 128, time=100))
        track.append(mido.Message("program_change", program=second % patches, time=160))
    path = folder / "soak.mid"
    mido.MidiFile(tracks=[track]).save(path)
    return path


def _set_list(folder: Path) -> tuple[Path, int]:
    # The factory set, in which a program change recalls a patch.
    copies = folder / "patches"
    shutil.copytree(ROOT / "patches", copies)
    patches = sorted(copies.glob("*.toml"))
    for patch in patches:
        with patch.open("a") as file:
            file.write('\n[[control]]\nlabel = "recall"\nmessage = "program"\naction = "patch"\n')
    path = folder / "soak.toml"
    path.write_text("schema = 1\npatches = " + json.dumps([str(patch) for patch in patches]) + "\n")
    return path, len(patches)


def _follow(show: subprocess.Popen[bytes], memory: Memory, report: Report) -> None:
    # Both at once: the clock that gives arriving messages their samples, and the samples that there were.
    clock = SampleClock(memory.address, RATE)
    ends = time.monotonic() + report.minutes * 60
    first = time.monotonic() + min(FIRST_SECONDS, report.minutes * 20)
    look, set_at = 0.0, -1
    residents: list[int] = []
    offsets: list[float] = []
    least = math.inf
    while (now := time.monotonic()) < ends and show.poll() is None:
        if clock.observe():
            set_at, changed = int(memory.record["set_at"]), set_at
            report.recalls += set_at != changed
            least = min(least, _offset(clock, memory))
        if now >= look and now >= first:
            look = now + LOOK_SECONDS
            residents.append(psutil.Process(show.pid).memory_info().rss)
            offsets.append(least)
            least = math.inf
        time.sleep(PAUSE_SECONDS)
    if not residents:  # it has ended by itself, which its exit state tells
        return
    part = max(len(residents) // 10, 1)
    report.resident_bytes = round(statistics.median(residents[-part:]))
    report.growth_bytes = report.resident_bytes - round(statistics.median(residents[:part]))
    report.drift_frames = round(statistics.median(offsets[-part:]) - statistics.median(offsets[:part]), 3)


def _offset(clock: SampleClock, memory: Memory) -> float:
    # Samples by which the clock is ahead of the latest callback; a callback may be late and is never early, so that
    # the least of many is the difference of the two.
    time_now, moment = int(memory.record["anchor_time"]), int(memory.record["anchor_ns"])
    return clock.sample_at(moment) - time_now


def run_soak(minutes: float, rate: int = RATE, block: int = PERIOD) -> Report:
    """Play for so long and measure."""
    report = Report(minutes, rate, block)
    with ExitStack() as ending:
        folder = scratch()
        ending.callback(shutil.rmtree, folder, ignore_errors=True)
        performed, patches = _set_list(folder)
        midi = _performance(folder, minutes * 60, patches)
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_STATE_HOME": str(folder)}
        with jack_server(rate, block, f"empty{os.getpid()}"):
            floor = {**environment, **_server()}
            with jack_server(rate, block, f"soak{os.getpid()}"):
                words = ["--no-window", "--perform", str(midi), "--audio", "jack"]
                command = [sys.executable, "-m", "instrument.cli", "play", str(performed), *words]
                show = subprocess.Popen(command, env={**environment, **_server()}, cwd=ROOT)
                ending.callback(end, show)
                memory = memory_of(show)
                while int(memory.record["ring_at"]) < rate and show.poll() is None:
                    time.sleep(0.05)
                # The same driver with nothing to play, counted in the same way and at the same time.
                command = [
                    sys.executable,
                    str(ROOT / "tools" / "benches" / "callback.py"),
                    "idle",
                    str(minutes * 60),
                    "0",
                ]
                empty = subprocess.Popen(command, env=floor, stdout=subprocess.PIPE)
                ending.callback(end, empty)
                start = int(memory.record["counters"]["underflows"])
                _follow(show, memory, report)
                counters = memory.record["counters"]
                report.underflows = int(counters["underflows"]) - start
                report.callbacks = int(counters["callbacks"])
                report.late_events = int(counters["late_events"])
                figures = json.loads(empty.communicate(timeout=120)[0])
                report.empty_underflows, report.empty_callbacks = figures["underflows"], figures["callbacks"]
                show.send_signal(signal.SIGTERM)
                report.exit = show.wait(60)
                memory.close()
    return report


def _server() -> dict[str, str]:
    return {"JACK_DEFAULT_SERVER": os.environ["JACK_DEFAULT_SERVER"]}


def in_words(report: Report) -> str:
    """Return the report as text."""
    return "\n".join(
        [
            f"{report.minutes:g} minutes at {report.rate} Hz, blocks of {report.block}, {report.recalls} recalls:",
            f"  memory {report.resident_bytes / 2**20:.1f} MiB, grown by {report.growth_bytes / 2**20:+.2f} MiB",
            f"  underflows {report.underflows} of {report.callbacks} callbacks, of the driver with nothing to play meanwhile",
            f"    {report.empty_underflows} of {report.empty_callbacks}",
            f"  drift of event time from audio time {report.drift_frames:+.3f} frames; late events {report.late_events}",
            f"  exit state {report.exit}",
            "every target is met" if report.good else "a target is missed",
        ]
    )


def main() -> int:
    """Run from the command line."""
    enter_known_environment()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--rate", type=int, default=RATE)
    parser.add_argument("--block", type=int, default=PERIOD)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    end_in_order()
    report = run_soak(given.minutes, given.rate, given.block)
    print(json.dumps({**asdict(report), "good": report.good}) if given.json else in_words(report))
    return 0 if report.good else 1


if __name__ == "__main__":
    sys.exit(main())
