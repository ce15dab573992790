"""The `drawings` section of the bench: from saving a drawing's file to the first sample of its new shape."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.engine import Engine
from instrument.engine.memory.allocation import attach
from instrument.engine.memory.layout import EVENT_SWAP
from tools.benches.drawings import relief
from tools.trials.stand_ins import jack_server

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

SAVES = 7
EDGES_SAVED = 10_000
RATE = 48_000
BLOCK = 64
WARM_SECONDS = 5.0
"""By then the processes that build are warm."""

PAUSE_SECONDS = 0.5
PATIENCE_NS = 20_000_000_000

# The show in a process of its own, which tells the name of its memory, and for each line on its input how many
# blocks of the silent clock have begun more than a block's length behind their moment.
SHOW = """
import sys, threading, time
from pathlib import Path
from instrument.engine.engine import Engine
from instrument.show import show
from instrument.show.show_options import ShowOptions

allocate, render = show.allocate, Engine.render_into
late, began, done = 0, None, 0

def allocate_and_tell(rate, **kept):
    memory = allocate(rate, **kept)
    print(memory.name, rate, flush=True)
    return memory

def render_and_count(self, out):
    global late, began, done
    now = time.monotonic()
    began = now if began is None else began
    late += now - began > (done + 1) * len(out) / self.rate
    done += 1
    render(self, out)

def answer():
    for _ in sys.stdin:
        print(late, done, flush=True)

show.allocate, Engine.render_into = allocate_and_tell, render_and_count
threading.Thread(target=answer, daemon=True).start()
audio = "off" if sys.argv[3] == "silent" else None
options = ShowOptions((Path(sys.argv[1]),), audio=audio, block=int(sys.argv[2]), window=False)
sys.exit(show.run_show(options, lambda text: None))
"""

# One cycle a second: the line moves so little from sample to sample that a click would stand out.
PATCH = 'schema = 1\n[[layer]]\n[layer.source]\nkind = "path"\ndrawing = "bed.obj"\n[layer.pen]\nfrequency = 1\n'


@dataclass(frozen=True)
class Stretch:
    """Events in a stretch of a show.

    Attributes
    ----------
    seconds : float
    callbacks, underflows : int
        As the engine counted them.
    late, blocks : int
        Blocks of the silent clock begun more than a block late, and all of them.
    heard, missed : int
        Frames looked at in the output ring, and frames that were overwritten before that.
    largest_step : float
        Between neighbouring samples of a channel, of full scale.
    longest_standstill : int
        Most frames in a row without any movement.
    """

    seconds: float
    callbacks: int
    underflows: int
    late: int
    blocks: int
    heard: int
    missed: int
    largest_step: float
    longest_standstill: int


class Listening:
    """Everything that a show's output ring held since it was begun."""

    def __init__(self, process: subprocess.Popen[str], record: Any) -> None:
        self._process = process
        self._record = record
        self._began = time.monotonic()
        self._counters = np.array(record["counters"])
        self._late = _late(process)
        self._cursor = int(record["ring_at"])
        self._parts: list[Any] = []
        self._missed = 0

    def take(self) -> None:
        """Copy what is new in the ring; to be called before it has come round."""
        frames = int(self._record["ring_frames"])
        upto = int(self._record["ring_at"])
        slots = np.arange(self._cursor, upto) & (frames - 1)
        self._parts.append(self._record["ring"][slots])
        # With a second to spare: the callback writes on while this copies.
        self._missed += max(0, int(self._record["ring_at"]) + RATE - frames - self._cursor)
        self._cursor = upto

    def end(self) -> Stretch:
        """Say what happened."""
        self.take()
        heard = np.concatenate(self._parts)
        largest_step, longest_standstill = movement(heard)
        counters, late = self._record["counters"], _late(self._process)
        return Stretch(
            time.monotonic() - self._began,
            int(counters["callbacks"] - self._counters["callbacks"]),
            int(counters["underflows"] - self._counters["underflows"]),
            late[0] - self._late[0],
            late[1] - self._late[1],
            len(heard),
            self._missed,
            largest_step,
            longest_standstill,
        )


def movement(heard: npt.NDArray[np.float32]) -> tuple[float, int]:
    """Find what a click or a gap would leave in a sound that moves all the time.

    Parameters
    ----------
    heard : np.ndarray [shape=(n, 2)]
        Frames, at least 2.

    Returns
    -------
    largest_step : float
        Between neighbouring samples of a channel.
    longest_standstill : int
        Most frames in a row that are all alike.

    Examples
    --------
    >>> movement(np.array([[0, 0], [0.25, 0], [0.25, 0], [0.25, 0.75]], np.float32))
    (0.75, 2)
    """
    step = np.abs(np.diff(heard, axis=0)).max(axis=1)
    moves = np.flatnonzero(np.concatenate([[True], step > 0, [True]]))
    return float(step.max()), int(np.diff(moves).max())


def bench_saving() -> None:
    """From the moment a drawing's file is closed to the first sample of the new shape, in a real show."""
    took, saving, quiet = _save_often("silent")
    _tell("silent clock", took)
    print(
        f"blocks begun more than a block late: {saving.late} of {saving.blocks} while saving, {quiet.late} of "
        f"{quiet.blocks} in an equal time without"
    )
    _tell_sound(saving, quiet)
    with jack_server(RATE, BLOCK):
        took, saving, quiet = _save_often("jack")
        floor = _empty_callback(saving.seconds)
    _tell(f"real-time JACK dummy driver at {RATE} Hz", took)
    print(
        f"underflows: {saving.underflows} in {saving.callbacks} callbacks while saving, {quiet.underflows} in "
        f"{quiet.callbacks} in an equal time without, {floor['underflows']} in {floor['callbacks']} of an empty callback"
    )
    _tell_sound(saving, quiet)


def _tell(driver: str, took: list[float]) -> None:
    print(
        f"saved to first new sample, {EDGES_SAVED} edges, {SAVES} saves, {driver}, blocks of {BLOCK}: "
        f"median {statistics.median(took):.3f} s ({min(took):.3f} to {max(took):.3f})",
        flush=True,
    )


def _tell_sound(saving: Stretch, quiet: Stretch) -> None:
    for name, part in (("while saving", saving), ("in an equal time without", quiet)):
        print(
            f"sound {name}, {part.seconds:.1f} s: {part.heard} frames looked at, {part.missed} missed; largest step "
            f"between neighbouring samples {part.largest_step:.4f} of full scale, longest standstill "
            f"{part.longest_standstill} frames",
            flush=True,
        )


def _save_often(driver: str) -> tuple[list[float], Stretch, Stretch]:
    with tempfile.TemporaryDirectory() as folder:
        drawing, patch = Path(folder, "bed.obj"), Path(folder, "quay.toml")
        relief(drawing, EDGES_SAVED)
        patch.write_text(PATCH)
        with _show(patch, driver) as (process, engine):
            time.sleep(WARM_SECONDS)
            listening = Listening(process, engine.record)
            took = []
            # Never seen before: what was drawn once would come out of the cache.
            for seed in np.random.SeedSequence().generate_state(SAVES).tolist():
                took.append(_saved(engine, drawing, seed))
                time.sleep(PAUSE_SECONDS)
                listening.take()
            saving = listening.end()
            listening = Listening(process, engine.record)
            until = time.monotonic() + saving.seconds
            while time.monotonic() < until:
                time.sleep(PAUSE_SECONDS)
                listening.take()
            return took, saving, listening.end()


def _empty_callback(seconds: float) -> dict[str, Any]:
    """Count what this machine allows: the underflows of a callback that does nothing."""
    command = [sys.executable, str(Path(__file__).with_name("callback.py")), "empty", str(seconds), "0"]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    if run.returncode != 0:
        raise RuntimeError(f"the empty callback failed: {run.stderr.strip()[-300:]}")
    found: dict[str, Any] = json.loads(run.stdout.strip().splitlines()[-1])
    return found


@contextmanager
def _show(patch: Path, driver: str) -> Iterator[tuple[subprocess.Popen[str], Engine]]:
    command = [sys.executable, "-c", SHOW, str(patch), str(BLOCK), driver]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        name, rate = _line(process).split()
        yield process, Engine(float(rate), attach(name))
    finally:
        process.terminate()
        process.communicate(timeout=20)


def _late(process: subprocess.Popen[str]) -> tuple[int, int]:
    if process.stdin is None:
        raise RuntimeError("the show has no input")
    process.stdin.write("\n")
    process.stdin.flush()
    late, done = _line(process).split()
    return int(late), int(done)


def _line(process: subprocess.Popen[str]) -> str:
    line = process.stdout.readline() if process.stdout is not None else ""
    if not line:
        raise RuntimeError("the show has ended")
    return line


def _saved(engine: Engine, drawing: Path, seed: int) -> float:
    other = drawing.with_name("other.obj")
    relief(other, EDGES_SAVED, seed)
    content = other.read_bytes()
    cursor = int(engine.record["log_at"])
    drawing.write_bytes(content)
    saved = time.monotonic_ns()
    while time.monotonic_ns() < saved + PATIENCE_NS:
        log, cursor, _ = engine.log_since(cursor)
        changes = log[log["kind"] == EVENT_SWAP]
        if len(changes):
            sample, ns = _anchor(engine.record)
            return (ns - saved) * 1e-9 + (int(changes["time"][0]) - sample) / engine.rate
        time.sleep(0.002)
    raise RuntimeError("the new shape did not come within 20 s")


def _anchor(record: Any) -> tuple[int, int]:
    """Sample time and monotonic nanoseconds at the start of the latest block."""
    while True:
        count = int(record["anchor_count"])
        found = int(record["anchor_time"]), int(record["anchor_ns"])
        if count % 2 == 0 and count == int(record["anchor_count"]):
            return found
