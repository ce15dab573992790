"""Trial of the recorder on a real-time JACK server: play, record, render again, listen from outside, kill.

    .venv/bin/python tools/trials/take_trial.py live --seconds 300
    .venv/bin/python tools/trials/take_trial.py live --rate 192000 --seconds 60
    .venv/bin/python tools/trials/take_trial.py kills --count 20

Every line printed is a finding; the exit status is 1 if one of them is not as it must be.
"""

from __future__ import annotations

import argparse
import queue
import random
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import jack
import numpy as np
import soundfile

from instrument.takes.replay import Comparison, open_take, render_take
from tools.trials.known_environment import enter_known_environment
from tools.trials.remote_show import Show, wait_until, write_drawing, write_patches
from tools.trials.stand_ins import jack_server

if TYPE_CHECKING:
    import numpy.typing as npt

    Frames = npt.NDArray[np.float32]

PERIOD = 64

TYPED = ("3*440", "1e9", "inf", "-inf", "nan", "0.1", "-0.0", "440", "1e-3")
ADDRESSES = (
    "layer.1.pen.frequency",
    "layer.2.place.spin.x",
    "layer.1.level",
    "output.gain.y",
    "layer.2.pen.length",
)


class ControlDecoder:
    """A second JACK client: hears what leaves the instrument's ports, and plays into it.

    Parameters
    ----------
    server : str
    seconds : float
        Longest recording.
    """

    def __init__(self, server: str, seconds: float) -> None:
        self._client = jack.Client("ear", servername=server, no_start_server=True)
        self._inputs = [self._client.inports.register(f"in_{k}") for k in range(2)]
        self._midi = self._client.midi_outports.register("out")
        self.heard = np.zeros((round(seconds * self._client.samplerate), 2), np.float32)
        self.heard[:] = 0
        self.frames = 0
        self.xruns = 0
        self.missed = 0
        """Periods that the server's clock counted and we were not called for."""
        self._due = 0
        self._connected = False
        self._to_send: queue.SimpleQueue[tuple[int, ...]] = queue.SimpleQueue()
        self._client.set_process_callback(self._process)
        self._client.set_xrun_callback(self._count_xrun)

    def __enter__(self) -> Self:
        self._client.activate()
        return self

    def __exit__(self, *ended: object) -> None:
        self._client.deactivate()
        self._client.close()

    def connect(self) -> None:
        """Connect to the instrument's two outputs and its MIDI input, whatever its client is called."""
        wait_until(lambda: len(self._outputs()) >= 2, "outputs")
        for port, own in zip(self._outputs(), self._inputs, strict=False):
            self._client.connect(port, own)
        wait_until(lambda: bool(self._client.get_ports("^Beamhand", is_midi=True, is_input=True)), "MIDI")
        self._client.connect(self._midi, self._client.get_ports("^Beamhand", is_midi=True, is_input=True)[0])
        self._connected = True  # what the show took to start is no part of what is heard

    def send(self, *message: int) -> None:
        """Send a message in one of the next periods."""
        self._to_send.put(message)

    def _outputs(self) -> list[jack.Port]:
        ports = self._client.get_ports(is_audio=True, is_output=True)
        return [port for port in ports if port.name.split(":")[0] not in {"system", "ear"}]

    def _count_xrun(self, _delayed: float) -> None:
        self.xruns += 1

    def _process(self, frames: int) -> None:
        self._midi.clear_buffer()
        if not self._to_send.empty():
            self._midi.write_midi_event(0, self._to_send.get())
        if self._connected and self.frames + frames <= len(self.heard):
            now = self._client.last_frame_time
            self.missed += round((now - self._due) / frames) if self.frames else 0
            self._due = now + frames
            for channel, port in enumerate(self._inputs):
                self.heard[self.frames : self.frames + frames, channel] = port.get_array()
            self.frames += frames


def unlike_periods(heard: Frames, recorded: Frames, period: int = PERIOD) -> tuple[int, int]:
    """Hold what was heard from outside against a recording, period by period.

    Parameters
    ----------
    heard, recorded : np.ndarray [shape=(n, 2), dtype=float32]
        Both begin with a period; the recording lies within what was heard.

    Returns
    -------
    int
        Periods of the recording that were heard bit for bit, each at its place or shifted by whole periods where the
        server had lost some.
    int
        Periods that were not.
    """
    ours = [piece.tobytes() for piece in recorded[: len(recorded) // period * period].reshape(-1, period, 2)]
    theirs = [piece.tobytes() for piece in heard[: len(heard) // period * period].reshape(-1, period, 2)]
    places: dict[bytes, list[int]] = {}
    for place, piece in enumerate(theirs):
        places.setdefault(piece, []).append(place)
    same = at = 0
    for piece in ours:
        later = [place for place in places.get(piece, ()) if place >= at]
        if later:
            at = later[0] + 1
            same += 1
    return same, len(ours) - same


def play(show: Show, ear: ControlDecoder, folder: Path, seconds: float, numbers: random.Random) -> dict[str, int]:
    """Do everything that hands can do, at random moments, and return how often."""
    kinds = ("notes", "knobs", "typed", "recalls", "snapshots", "morphs", "taps", "panics", "reloads")
    done = dict.fromkeys(kinds, 0)
    until = time.monotonic() + seconds
    reload_at = time.monotonic() + min(2.0, seconds / 3)
    # Of a short play, everything happens at least once.
    first = list(kinds[:-1])
    numbers.shuffle(first)
    while time.monotonic() < until:
        what = first.pop() if first else numbers.choices(kinds[:-1], (30, 30, 12, 6, 5, 5, 8, 2))[0]
        done[what] += 1
        if what == "knobs":
            ear.send(0xB0 | numbers.randrange(3), numbers.choice((1, 2)), numbers.randrange(128))
        elif what == "notes":
            ear.send(0x90, numbers.randrange(30, 80), numbers.choice((0, 100)))
        elif what == "typed":
            value = numbers.choice(TYPED)
            show.do("set", address=numbers.choice(ADDRESSES), value=3 * 440.0 if "*" in value else float(value))
        elif what == "recalls":
            # By the window's keys and by a program change, which nobody but the audio callback sees to.
            if numbers.random() < 0.5:
                show.do(numbers.choice(("next", "previous")))
            else:
                ear.send(0xC0, numbers.randrange(2))
        elif what in {"snapshots", "morphs"}:
            ear.send(0xB0, 20 if what == "snapshots" else 21, numbers.randrange(3))
        elif what == "taps":
            for pressed in (127, 0):
                ear.send(0xB0, 22, pressed)
        else:
            show.do("panic")
        if time.monotonic() >= reload_at:
            done["reloads"] += 1
            write_drawing(folder, 1 + done["reloads"])
            reload_at = time.monotonic() + 7.0
        time.sleep(numbers.uniform(0.0, 0.08))
    return done


def end_by_pad(show: Show, ear: ControlDecoder) -> Path:
    """End the second take of a show by its control, and return its folder.

    A server that misses a period loses what was sent in it, so a pad that does nothing is struck again, as a hand would.
    """
    for _ in range(3):
        ear.send(0xB0, 119, 127)
        with suppress(TimeoutError):
            return Path(show.wait_for("recorded ", 2, 6.0).split(" into ")[1])
    raise TimeoutError(f"the pad does not end the take: {show.said}")


def live(server: str, rate: int, folder: Path, seconds: float, seed: int = 1) -> dict[str, Any]:
    """Play, record from the midst of it, listen from outside, and render the take again.

    Returns
    -------
    dict
        What was found: whether the bytes are the same, how many periods were heard otherwise, and the counts.
    """
    numbers = random.Random(seed)
    (folder / "patches").mkdir()
    patches = write_patches(folder / "patches")
    with ControlDecoder(server, seconds + 30) as ear, Show(patches, rate=float(rate), keep=min(seconds, 60.0)) as show:
        ear.connect()
        # A recorder that is still starting cannot know of a drawing that was saved again meanwhile.
        show.do("record")
        show.wait_for("recording into")
        show.do("record")
        show.wait_for("recorded ")
        play(show, ear, folder / "patches", 2.0, numbers)
        show.do("record")
        show.wait_for("recording into", 2)
        done = play(show, ear, folder / "patches", seconds, numbers)
        take = end_by_pad(show, ear)
        show.do("keep")
        kept = Path(show.wait_for("recorded ", 3).split(" into ")[1])
        status = show.end()
        heard, xruns, missed, said = ear.heard[: ear.frames], ear.xruns, ear.missed, list(show.said)
    recorded = soundfile.read(take / "sound.wav", dtype="float32")[0]
    begins = open_take(take).metadata.begins_at
    first = -begins % PERIOD  # the recording may begin within a period
    same, unlike = unlike_periods(heard, recorded[first:])
    metadata = open_take(take).metadata
    return {
        "take": take,
        "kept": kept,
        "status": status,
        "seconds": metadata.frames / rate,
        "begins_at": metadata.begins_at,
        **done,
        "programs": len(metadata.program),
        "again": again(take),
        "kept_again": again(kept),
        "same_periods": same,
        "unlike_periods": unlike,
        "xruns": xruns,
        "missed": missed,
        "underflows": metadata.underflows,
        "lost_frames": metadata.lost_frames,
        "longest_lag": metadata.longest_lag,
        "said": [line for line in said if not line.startswith("loaded ")],
    }


def again(folder: Path, block: int = 500) -> str:
    """Render a take again and return what comes of the comparison."""
    take = open_take(folder)
    comparison = Comparison(take)
    for _ in comparison.through(render_take(take, block=block)):
        pass
    return comparison.sentence()


def kill_once(folder: Path, numbers: random.Random) -> dict[str, Any]:
    """Record on the silent clock, kill show and recorder at a random moment, and look at what is left."""
    import av  # noqa: PLC0415 - only this part needs it

    folder.mkdir()
    patches = write_patches(folder)
    with Show(patches, audio="off", record=str(folder / "takes")) as show:
        rate = float(show.memory.record["rate"])
        until = time.monotonic() + numbers.uniform(0.1, 3.0)
        while time.monotonic() < until:
            show.do("set", address="layer.1.level", value=numbers.random())
            time.sleep(0.01)
        rendered = show.kill(numbers.randrange(2))
    (take,) = (folder / "takes").iterdir()
    found = soundfile.info(take / "sound.wav").frames
    with av.open(str(take / "sound.wav")) as container:
        decoded = sum(frame.samples for frame in container.decode(audio=0))
    return {
        "rendered": rendered / rate,
        "lost": max(rendered - found, 0) / rate,
        "frames": found,
        "decoded": decoded,
        "again": again(take),
        "take": take,
    }


def main() -> int:
    """Run as a command."""
    enter_known_environment()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("live", "kills"))
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--rate", type=int, default=48_000)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        if wanted.what == "live":
            with jack_server(wanted.rate, PERIOD) as server:
                found = live(server, wanted.rate, Path(name), wanted.seconds, wanted.seed)
            for key, value in found.items():
                print(f"{key}: {value}")
            good = found["again"].startswith("the same") and found["kept_again"].startswith("the same")
            return 0 if good and found["unlike_periods"] <= 3 * found["xruns"] + found["missed"] else 1
        numbers = random.Random(wanted.seed)
        worst, bad = 0.0, 0
        for k in range(wanted.count):
            found = kill_once(Path(name) / str(k), numbers)
            worst = max(worst, found["lost"])
            bad += found["frames"] != found["decoded"] or not found["again"].startswith("the same")
            print(
                f"kill {k + 1}: after {found['rendered']:.2f} s, lost {1000 * found['lost']:.0f} ms; "
                f"soundfile {found['frames']} frames, PyAV {found['decoded']}; {found['again']}",
                flush=True,
            )
        print(f"{wanted.count} kills: at most {1000 * worst:.0f} ms lost, {bad} takes not as they must be")
        return 0 if worst <= 1.0 and not bad else 1


if __name__ == "__main__":
    sys.exit(main())
