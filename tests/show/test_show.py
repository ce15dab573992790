"""The show: it begins, obeys, survives and ends."""

from __future__ import annotations

import signal
import time
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Any

import mido
import numpy as np
import pytest

from instrument.audio.silent import SilentClock
from instrument.engine.memory.layout import EVENT_MIDI
from instrument.midi.event_feed import LEAD_SECONDS
from instrument.repertoire.patch_worker import Answer
from instrument.show.ending import Ending
from instrument.show.fault_log import NAME
from instrument.show.show import Show, run_show
from instrument.show.show_options import ShowOptions
from tests.show.listening import wait_until
from tests.show.playing import LEVELS, Playing

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from instrument.engine.engine import Engine

SILENT: dict[str, Any] = {"audio": "off", "block": 64}


@pytest.fixture
def patch(tmp_path: Path) -> Path:
    path = tmp_path / "levels.toml"
    path.write_text(LEVELS)
    return path


@pytest.fixture
def other(tmp_path: Path) -> Path:
    path = tmp_path / "other.toml"
    path.write_text(LEVELS.replace("Levels", "Other").replace("0.25, 0]", "-0.25, 0]"))
    return path


def latest(engine: Engine) -> tuple[float, float]:
    """The newest frame that left the engine."""
    record = engine.record
    frame = record["ring"][(int(record["ring_at"]) - 1) % int(record["ring_frames"])]
    return float(frame[0]), float(frame[1])


def plays(engine: Engine, x: float) -> Callable[[], bool]:
    return lambda: latest(engine)[0] == pytest.approx(x, abs=1e-6)


def window(tmp_path: Path, code: str) -> list[str]:
    """A program that stands where the window does: its first argument is the memory's name."""
    path = tmp_path / "window.py"
    path.write_text("import json, os, signal, sys, time\n" + code)
    return [str(path)]


ASK = """
def ask(**request):
    print(json.dumps(request), flush=True)
"""


class TestBeginAndEnd:
    def test_no_time_at_all_still_plays_a_block(self, patch: Path) -> None:
        said: list[str] = []
        assert run_show(ShowOptions((patch,), audio="off", window=False, seconds=0), said.append) == 0
        assert "playing Levels through silent clock, 48000 Hz" in said

    def test_it_ends_after_the_given_seconds(self, patch: Path) -> None:
        began = time.monotonic()
        assert run_show(ShowOptions((patch,), audio="off", window=False, seconds=0.5), lambda _: None) == 0
        assert time.monotonic() - began >= 0.5

    @pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
    def test_a_signal_ends_it_cleanly(self, patch: Path, by: signal.Signals) -> None:
        with Playing([patch], **SILENT) as show:
            show.engine()
            assert show.end(by) == 0, show.said
            assert not Path("/dev/shm", show.memory_name).exists()
        assert not [line for line in show.said if "Traceback" in line or "leaked" in line]

    @pytest.mark.parametrize(
        ("options", "said"),
        [
            ({"rate": 8000.0}, "a sample rate of 8000 Hz is not possible"),
            ({"block": 4}, "a block of 4 frames is not possible"),
            ({"audio": "no such harbour"}, "no audio device 'no such harbour'"),
            ({"perform": Path("gone.mid")}, "gone.mid: there is no such file"),
            ({"midi": ("no such keyboard",)}, "MIDI"),
        ],
        ids=["rate", "block", "device", "performance", "midi"],
    )
    def test_what_cannot_be_used_is_one_sentence_and_status_1(
        self, patch: Path, options: dict[str, object], said: str
    ) -> None:
        heard: list[str] = []
        given = {"audio": "off", "window": False, "seconds": 0.0, **options}
        assert run_show(ShowOptions((patch,), **given), heard.append) == 1  # type: ignore[arg-type]
        assert said in heard[-1]
        assert "\n" not in heard[-1]

    def test_a_broken_patch_is_said_with_its_place_and_status_1(self, patch: Path) -> None:
        patch.write_text("schema = 1\nlayr = 1\n")
        heard: list[str] = []
        assert run_show(ShowOptions((patch,), audio="off", window=False, seconds=0), heard.append) == 1
        assert "levels.toml" in heard[-1]
        assert "layr" in heard[-1]


class TestPerformance:
    def test_a_midi_file_lands_on_its_exact_samples(self, patch: Path, tmp_path: Path) -> None:
        file = tmp_path / "a.mid"
        track = mido.MidiTrack(mido.Message("control_change", control=1, value=k, time=k % 7) for k in range(1, 100))
        mido.MidiFile(type=0, tracks=[track]).save(file)
        # 480 ticks a beat at 120 beats a minute: 50 samples a tick at 48 kHz.
        expected = np.cumsum([50 * (k % 7) for k in range(1, 100)])
        with Playing([patch], perform=str(file), **SILENT) as show:
            engine = show.engine()
            wait_until(lambda: int(engine.record["cc"][0, 1]) == 99, "the last event")
            log, _, _ = engine.log_since(0)
            times = log["time"][log["kind"] == EVENT_MIDI]
            assert np.array_equal(times - times[0], expected - expected[0])
            assert times[0] >= LEAD_SECONDS * 48_000
            assert engine.record["counters"]["late_events"] == 0
            assert show.end() == 0


class TestSavedFiles:
    def test_a_saved_patch_is_loaded_again_and_a_broken_one_is_not(self, patch: Path, logs: Path) -> None:
        with Playing([patch], **SILENT) as show:
            engine = show.engine()
            wait_until(plays(engine, 0.25), "the first level")
            patch.write_text(LEVELS.replace("0.25", "0.125"))
            show.wait_for("loaded")
            wait_until(plays(engine, 0.125), "the second level")
            patch.write_text(LEVELS.replace("offset", "ofset"))
            show.wait_for("ofset")
            time.sleep(1.0)
            assert plays(engine, 0.125)()
            assert len([line for line in show.said if "ofset" in line]) == 1
            patch.write_text(LEVELS.replace("0.25", "0.375"))
            wait_until(plays(engine, 0.375), "the third level")
            assert show.end() == 0
        lines = [line for line in (logs / NAME).read_text().splitlines() if "ofset" in line]
        assert len(lines) == 1
        assert lines[0].endswith("  ->  what played before plays on")


class TestWindow:
    def test_next_and_previous_go_round_the_patches(self, patch: Path, other: Path, tmp_path: Path) -> None:
        code = ASK + "for line in sys.stdin:\n    ask(do='next' if json.loads(line)['title'] == 'Levels' else 'x')"
        with Playing([patch, other], window(tmp_path, code), **SILENT) as show:
            engine = show.engine()
            wait_until(plays(engine, -0.25), "the other patch")
            assert show.end() == 0

    def test_set_and_save_write_the_value_into_the_file_without_loading_it_again(
        self, patch: Path, tmp_path: Path
    ) -> None:
        code = ASK + (
            "ask(do='set', address='output.offset.x', value=0.4375)\ntime.sleep(0.3)\nask(do='save')\nsys.stdin.read()"
        )
        with Playing([patch], window(tmp_path, code), **SILENT) as show:
            engine = show.engine()
            wait_until(plays(engine, 0.4375), "the value")
            show.wait_for("saved")
            assert "0.4375" in patch.read_text()
            time.sleep(0.8)
            assert not [line for line in show.said if "loaded" in line]
            assert show.end() == 0

    def test_bad_requests_are_one_sentence_or_nothing(self, patch: Path, tmp_path: Path) -> None:
        code = ASK + (
            "ask(do='set', address='output.ofset.x', value=1)\nask(do='set')\nask(do='dance')\n"
            "print('no json')\nprint('[1]', flush=True)\nask(do='quit')\nsys.stdin.read()"
        )
        with Playing([patch], window(tmp_path, code), **SILENT) as show:
            assert show.process.wait(60) == 0
        assert any("output.offset.x" in line for line in show.said)
        assert not [line for line in show.said if "Traceback" in line]

    def test_panic_releases_held_notes(self, patch: Path, tmp_path: Path) -> None:
        file = tmp_path / "held.mid"
        mido.MidiFile(type=0, tracks=[mido.MidiTrack([mido.Message("note_on", note=60)])]).save(file)
        code = ASK + "time.sleep(2)\nask(do='panic')\nsys.stdin.read()"
        with Playing([patch], window(tmp_path, code), perform=str(file), **SILENT) as show:
            engine = show.engine()
            wait_until(lambda: int(engine.record["n_held_notes"]) == 1, "the note")
            wait_until(lambda: int(engine.record["n_held_notes"]) == 0, "its end")
            assert show.end() == 0

    def test_a_window_that_is_killed_is_opened_again_and_nothing_is_heard_of_it(
        self, patch: Path, tmp_path: Path
    ) -> None:
        mark = tmp_path / "mark"
        code = (
            f"first = not os.path.exists({str(mark)!r})\nopen({str(mark)!r}, 'a').write('x')\n"
            "line = sys.stdin.readline()\nassert json.loads(line)['title'] == 'Levels'\n"
            "if first: os.kill(os.getpid(), signal.SIGKILL)\nsys.stdin.read()"
        )
        with Playing([patch], window(tmp_path, code), **SILENT) as show:
            engine = show.engine()
            show.wait_for("opened it again")
            wait_until(lambda: mark.read_text() == "xx", "the second window")
            before = engine.time
            wait_until(lambda: engine.time > before + 4800, "the sound to go on")
            assert show.end() == 0

    def test_a_note_held_in_a_window_that_is_killed_is_let_go(self, patch: Path, tmp_path: Path) -> None:
        file = tmp_path / "held.mid"
        mido.MidiFile(type=0, tracks=[mido.MidiTrack([mido.Message("note_on", note=60)])]).save(file)
        code = "time.sleep(2)\nos.kill(os.getpid(), signal.SIGKILL)"
        with Playing([patch], window(tmp_path, code), perform=str(file), **SILENT) as show:
            engine = show.engine()
            wait_until(lambda: int(engine.record["n_held_notes"]) == 1, "the note")
            wait_until(lambda: int(engine.record["n_held_notes"]) == 0, "its end")
            assert show.end() == 0

    def test_a_window_that_keeps_crashing_is_given_up(self, patch: Path, tmp_path: Path) -> None:
        with Playing([patch], window(tmp_path, "sys.exit(3)"), **SILENT) as show:
            show.wait_for("ended with status 3 once more; playing without it.")
            assert show.end() == 0

    def test_without_a_display_it_plays_without_a_window_and_says_so(self, patch: Path, tmp_path: Path) -> None:
        with Playing([patch], window(tmp_path, "sys.exit(1)"), **SILENT) as show:
            show.wait_for("playing without a window.")
            assert show.end() == 0

    def test_a_window_that_reads_nothing_holds_nothing_up(self, patch: Path, tmp_path: Path) -> None:
        code = ASK + "for _ in range(2000):\n    ask(do='next')\ntime.sleep(1)\nask(do='quit')\ntime.sleep(60)"
        with Playing([patch], window(tmp_path, code), **SILENT) as show:
            assert show.process.wait(60) == 0


class TestTroubles:
    @pytest.fixture
    def show(self, patch: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Show]:
        """A show that is looked after by hand."""
        monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
        options = ShowOptions((patch,), audio="off", block=64, window=False)
        self.said: list[str] = []
        with Ending(Event(), self.said.append) as ending:
            show = Show(options, self.said.append, ending)
            show._prepare()
            show._start()
            show._polled = time.monotonic()
            yield show

    def test_what_is_wrong_with_the_device_is_told_once_whatever_else_happens(
        self, show: Show, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        trouble = "the pier's device runs at 44100 Hz."
        monkeypatch.setattr(SilentClock, "trouble", trouble)
        for _ in range(3):
            show._poll()
            show._do({"do": "set", "address": "output.level", "value": 0.5})
            show._poll_files()
        assert self.said.count(trouble) == 1
        assert show.state["trouble"] == trouble
        monkeypatch.setattr(SilentClock, "trouble", "")
        show._poll()
        assert show.state["trouble"] == ""

    def test_the_window_is_told_the_lines_of_the_log(self, show: Show, tmp_path: Path) -> None:
        show._do({"do": "dance"})
        show._faults.close()
        lines = (tmp_path / "state" / "beamhand" / "log" / NAME).read_text().splitlines()
        assert show.state["faults"] == lines
        assert lines[-1].partition("  ->  ")[0].endswith(self.said[-1])

    def test_a_complaint_stays_in_sight_until_something_is_done(self, show: Show) -> None:
        show._do({"do": "dance"})
        for answer in (Answer("recovery", Path()), Answer("warm", Path())):
            show._set_list.worker.answers = lambda answer=answer: [answer]  # type: ignore[method-assign, misc]
            show._do({"do": "alive"})
            show._poll_files()
            assert "dance" in show.state["trouble"]
        show._do({"do": "release"})
        assert show.state["trouble"] == ""
