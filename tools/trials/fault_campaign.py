"""Every fault in random order while a performance plays and is recorded: python3 tools/trials/fault_campaign.py [--seconds S].

Prints the faults injected, the gaps in the sound (as the engine's own time and a second JACK client tell them), what
the take has lost, and how everything ended. Exit status 1 if a target is missed: no crash, no gap except while the
device is gone or the process is stopped, the sound back within 3 s of the device, nothing lost from the take.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, suppress
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import mido
import soundfile

from tools.trials.fault_report import BACK_SECONDS, Report, in_words
from tools.trials.fault_studio import (
    CONTROLLER,
    Script,
    SetClock,
    SmallDisk,
    Witness,
    checksum,
    children_of,
    ear,
    end,
    end_in_order,
    memory_of,
    scratch,
)
from tools.trials.known_environment import enter_known_environment
from tools.trials.stand_ins import busy_cores, jack_server, screen

ROOT = Path(__file__).resolve().parents[2]
if TYPE_CHECKING:
    from collections.abc import Callable

RATE, OTHER_RATE, PERIOD = 48_000, 44_100, 64

LEAST_GAP = 2 * PERIOD
"""Frames of silence that are a gap: what is played never rests at the centre for two samples together."""

MARGIN_SECONDS = 0.3
"""Around a time without device in which a silence belongs to it."""

PATCH = """schema = 1
title = "{title}"
ramp = 0.01
[[layer]]
level = 0.5
[layer.source]
kind = "harmonic"
preset = "circle"
[layer.pen]
frequency = {pitch}
[[layer]]
level = {level}
[layer.source]
kind = "path"
drawing = "moth.svg"
[layer.pen]
frequency = 110
[[layer]]
level = 0.1
[layer.source]
kind = "formula"
x = "cos(a)"
y = "sin(a)"
a = 0.5
[[control]]
message = "cc"
number = 1
parameter = "layer.1.pen.frequency"
range = [100, 400]
[[control]]
message = "program"
action = "patch"
"""

MOTH = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100"><path d="M10 {y} L90 20 L60 80 Z"/></svg>'

ENDS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


class Campaign:
    """One show, or several one after the other, and what is done to it.

    Parameters
    ----------
    report : Report
    window : bool
    stopped : float
        Seconds for which the process is stopped.
    ending : ExitStack
    """

    def __init__(self, report: Report, stopped: float, ending: ExitStack, *, window: bool) -> None:
        self._report = report
        self._stopped = stopped
        self._window = window
        self._random = random.Random(report.seed)
        self._folder = scratch()
        ending.callback(shutil.rmtree, self._folder, ignore_errors=True)
        self._disk = SmallDisk(self._folder / "disk")
        ending.callback(self._disk.close)
        self._clock: SetClock | None = None
        try:
            self._clock = SetClock(self._folder)
        except RuntimeError as error:
            report.left_out.append(f"clock set back ({error})")
        if not self._disk.real:
            report.left_out.append("disk full (no file system may be made here)")
        self._excused: list[tuple[float, float]] = []
        self._history: list[tuple[float, str]] = []
        self._server_name = f"faults{os.getpid()}"
        self._server = ExitStack()
        ending.callback(self._server.close)
        self._others = ExitStack()
        ending.callback(self._others.close)
        self._write_files()
        self._performance = self._write_performance()

    # -- what is played ------------------------------------------------------------------------------------------

    def _write_files(self) -> None:
        folder = self._disk.folder
        (folder / "moth.svg").write_text(MOTH.format(y=90))
        for title, pitch in (("one", 150), ("two", 220)):
            (folder / f"{title}.toml").write_text(PATCH.format(title=title, pitch=pitch, level=0.3))
        (folder / "night.toml").write_text('schema = 1\npatches = ["one.toml", "two.toml"]\n')

    def _write_performance(self) -> Path:
        # A note, knobs, and program changes now and then, for as long as it takes.
        track = mido.MidiTrack([mido.Message("note_on", note=57, velocity=90)])
        for beat in range(round(self._report.seconds) * 4 + 400):
            track.append(mido.Message("control_change", control=1, value=beat % 128, time=240))
            if beat % 10 == 9:
                track.append(mido.Message("program_change", program=beat // 10 % 2))
        path = self._folder / "performance.mid"
        mido.MidiFile(tracks=[track]).save(path)
        return path

    # -- running -------------------------------------------------------------------------------------------------

    def run(self, seconds: float, end_by: signal.Signals) -> None:
        """Play and disturb for so long, then end by a signal."""
        self._start_server(RATE)
        self._plug_in()
        takes = self._folder / f"takes {len(self._report.exits)}"
        show = self._start_show(takes)
        self._others.callback(end, show)
        memory = memory_of(show)
        while int(memory.record["ring_at"]) < RATE // 2 and show.poll() is None:
            time.sleep(0.05)
        witness = Witness(memory.record)
        self._listen()
        ends = time.monotonic() + seconds
        faults = self._faults(show)
        order: list[str] = []
        while time.monotonic() < ends and show.poll() is None:
            order = order or self._random.sample(sorted(faults), len(faults))
            name = order.pop()
            self._history.append((time.monotonic(), name))
            faults[name]()
            self._report.faults[name] = self._report.faults.get(name, 0) + 1
            time.sleep(self._random.uniform(0.1, 0.4))
        time.sleep(0.5)
        self._report.underflows += int(memory.record["counters"]["underflows"])
        if show.poll() is None:
            show.send_signal(end_by)
        else:
            self._report.troubles.append(f"the show ended by itself with status {show.returncode}")
        witness.close()
        self._report.exits.append(show.wait(150))
        self._said(show)
        self._judge(witness)
        self._compare(takes, witness)
        memory.close()
        self._others.close()
        self._server.close()

    def _start_server(self, rate: int) -> None:
        self._server.enter_context(jack_server(rate, PERIOD, self._server_name))

    def _plug_in(self) -> None:
        self._controller = Script(CONTROLLER)
        self._others.callback(self._end_controller)

    def _listen(self) -> None:
        self._ear = ear(LEAST_GAP)
        self._others.callback(self._end_ear)

    def _end_controller(self) -> None:
        # The one of now, which may not be the one that began.
        self._controller.end()

    def _end_ear(self) -> None:
        self._ear.end()

    def _start_show(self, takes: Path) -> subprocess.Popen[bytes]:
        words = ["--midi", "controller", "--perform", str(self._performance), "--record", str(takes)]
        command = [
            sys.executable,
            "-m",
            "instrument.cli",
            "play",
            str(self._disk.folder / "night.toml"),
            *words,
        ]
        environment = {
            **os.environ,
            "XDG_STATE_HOME": str(self._disk.folder / "state"),
            "PYTHONPATH": str(ROOT),
            **(self._clock.environment if self._clock else {}),
        }
        self._errors = (self._folder / "said").open("w+b")
        if not self._window:
            command.append("--no-window")
        return subprocess.Popen(command, env=environment, stderr=self._errors, cwd=ROOT)

    # -- faults --------------------------------------------------------------------------------------------------

    def _faults(self, show: subprocess.Popen[bytes]) -> dict[str, Callable[[], None]]:
        folder = self._disk.folder
        found: dict[str, Callable[[], None]] = {
            "server killed, back": lambda: self._kill_server(RATE),
            "server killed, back at another rate": lambda: self._kill_server(OTHER_RATE),
            "controller pulled, put back": self._pull_controller,
            "processors taken": self._take_processors,
            "process stopped": lambda: self._stop(show),
            "value infinite": lambda: self._save(folder / "one.toml", "level = 0.3", 'level = "1/0"'),
            "value not a number": lambda: self._save(folder / "two.toml", "level = 0.3", "level = nan"),
            "formula infinite": lambda: self._save(folder / "two.toml", "cos(a)", "a/0"),
            "formula not a number": lambda: self._save(folder / "one.toml", "cos(a)", "0/0"),
        }
        for name in ("moth.svg", "one.toml", "night.toml"):
            path = folder / name
            found[f"{name} saved broken"] = lambda path=path: self._break(path, "[[ <path")  # type: ignore[misc]
            found[f"{name} half written"] = lambda path=path: self._break(path, None)  # type: ignore[misc]
            found[f"{name} deleted"] = lambda path=path: self._delete(path)  # type: ignore[misc]
        if self._window:
            found["window killed"] = lambda: self._kill_window(show)
        if self._clock is not None:
            found["clock set back an hour"] = self._set_clock
        if self._disk.real:
            found["disk full"] = self._fill_disk
        return found

    def _kill_server(self, rate: int) -> None:
        self._ear.end()
        self._keep_gaps()
        self._controller.end()
        began = time.monotonic()
        for number in children_of(os.getpid(), f"jackd -n {self._server_name} "):
            os.kill(number, signal.SIGKILL)
            with suppress(ChildProcessError):
                os.waitpid(number, 0)
        self._ear = ear(LEAST_GAP)  # it listens as soon as there is something to listen to
        time.sleep(self._random.uniform(0.3, 1.0))
        self._start_server(rate)
        back = time.monotonic()
        self._controller = Script(CONTROLLER)
        while not self._ear.said and time.monotonic() < back + 4 * BACK_SECONDS:
            time.sleep(0.02)
        heard = float(self._ear.said[0][1]) if self._ear.said else float("inf")
        self._report.device_gone.append((round(back - began, 2), round(heard - back, 2)))
        self._excused.append((began, min(heard, time.monotonic())))

    def _pull_controller(self) -> None:
        self._controller.leave()
        time.sleep(0.6)
        self._controller = Script(CONTROLLER)
        time.sleep(0.6)

    def _take_processors(self) -> None:
        with busy_cores(2 * (os.cpu_count() or 1)):
            time.sleep(1.0)

    def _stop(self, show: subprocess.Popen[bytes]) -> None:
        began = time.monotonic()
        show.send_signal(signal.SIGSTOP)
        time.sleep(self._stopped)
        show.send_signal(signal.SIGCONT)
        time.sleep(0.3)
        self._excused.append((began, time.monotonic()))

    def _kill_window(self, show: subprocess.Popen[bytes]) -> None:
        for number in children_of(show.pid, "instrument.window"):
            os.kill(number, signal.SIGKILL)
        time.sleep(0.5)

    def _set_clock(self) -> None:
        if self._clock is not None:
            self._clock.set(-3600)
            time.sleep(0.6)
            self._clock.set(0)

    def _fill_disk(self) -> None:
        self._disk.fill()
        time.sleep(0.6)
        self._disk.empty()

    def _save(self, path: Path, before: str, after: str) -> None:
        text = path.read_text()
        path.write_text(text.replace(before, after))
        time.sleep(0.6)
        path.write_text(text)
        time.sleep(0.3)

    def _break(self, path: Path, text: str | None) -> None:
        whole = path.read_text()
        path.write_text(whole[: len(whole) // 2] if text is None else text)
        time.sleep(0.5)
        path.write_text(whole)
        time.sleep(0.3)

    def _delete(self, path: Path) -> None:
        whole = path.read_text()
        path.unlink()
        time.sleep(0.4)
        path.write_text(whole)
        time.sleep(0.3)

    # -- judging -------------------------------------------------------------------------------------------------

    def _keep_gaps(self) -> None:
        for words in self._ear.said:
            if words[0] == "gap":
                self._gap("a second JACK client", float(words[1]), float(words[2]))

    def _gap(self, found_in: str, begin: float, length: float) -> None:
        for first, last in self._excused:
            if first - MARGIN_SECONDS <= begin and begin + length <= last + MARGIN_SECONDS:
                self._report.excused += 1
                return
        during = [name for since, name in self._history if since <= begin + length]
        self._report.gaps.append((f"{found_in} ({during[-1] if during else 'start'})", round(length, 4)))

    def _judge(self, witness: Witness) -> None:
        self._keep_gaps()
        self._report.machine_stops += witness.pace.machine_stops
        for begin, length in witness.pace.stops:
            self._gap("the engine's time", begin, length)

    def _compare(self, takes: Path, witness: Witness) -> None:
        # The whole take against what was seen leaving the engine, a tenth of a second at a time.
        sounds = list(takes.rglob("sound.wav"))
        if len(sounds) != 1:
            self._report.troubles.append(f"{len(sounds)} takes instead of one")
            return
        size = witness.PIECE
        with soundfile.SoundFile(sounds[0]) as file:
            self._report.take_frames += file.frames
            for piece, wanted in witness.pieces.items():
                self._report.checked_frames += size
                frames = None
                if (piece + 1) * size <= file.frames:
                    file.seek(piece * size)
                    frames = file.read(size, "float32")
                if frames is None or checksum(frames) != wanted:
                    self._report.lost_frames += size

    def _said(self, show: subprocess.Popen[bytes]) -> None:
        self._errors.seek(0)
        said = self._errors.read().decode(errors="replace")
        self._errors.close()
        if "Traceback" in said or show.returncode != 0:
            self._report.troubles.append(said[-3000:])
        log = self._disk.folder / "state" / "beamhand" / "log" / "faults.log"
        if log.exists():
            lines = log.read_text().splitlines()
            self._report.log_lines = len(lines)
            self._report.standstills = [line for line in lines if "stood still" in line]


def run_campaign(seconds: float, seed: int, shows: int, stopped: float, *, window: bool) -> Report:
    """Run as many shows as are wanted, together so many seconds long, and disturb them."""
    report = Report(seconds, seed)
    with ExitStack() as ending:
        if window:
            os.environ["DISPLAY"] = ending.enter_context(screen())
        campaign = Campaign(report, stopped, ending, window=window)
        for number in range(shows):
            campaign.run(seconds / shows, ENDS[(seed + number) % len(ENDS)])
    return report


def main() -> int:
    """Run from the command line."""
    enter_known_environment()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shows", type=int, default=3, help="each is ended by another signal")
    parser.add_argument("--stopped", type=float, default=10.0, help="seconds for which the process is stopped")
    parser.add_argument("--no-window", action="store_true")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    end_in_order()
    report = run_campaign(given.seconds, given.seed, given.shows, given.stopped, window=not given.no_window)
    print(json.dumps({**asdict(report), "good": report.good}) if given.json else in_words(report))
    return 0 if report.good else 1


if __name__ == "__main__":
    sys.exit(main())
