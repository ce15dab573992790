"""What an earlier show left unsaved is offered until it has been answered, and troubles with keeping are told once."""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING, Any

import pytest

from instrument.common.safe_files import write_atomically
from instrument.engine.engine import midi_event
from instrument.engine.memory.layout import RING_MIDI
from instrument.midi.event_feed import PerformanceFeeder
from instrument.repertoire import recovery_file as kept
from instrument.repertoire.recovery_file import find_recoveries, recovery_folder, recovery_path, write_recovery
from tests.workbench.editing import PATCH, Bench

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

EDITED = PATCH.replace("level = 0.5 ", "level = 0.25 ")
ENDED = 1 << 30
"""Number that no process has."""


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(kept, "_is_alive", lambda process: process == os.getpid())
    path = tmp_path / "heron.toml"
    path.write_text(PATCH)
    return path


def leave(path: Path, process: int = ENDED, text: str = EDITED) -> Path:
    """Let a show that has ended have left something."""
    record = recovery_path(path)
    left = record.with_name(record.name.replace(f"-{os.getpid()}.", f"-{process}."))
    values = Bench(path).set_list.working.values
    values[0] = 0.25
    write_recovery(left, path, text, values.tolist())
    return left


def ended() -> None:
    """Let our own show have ended."""
    for file in recovery_folder().glob(f"*-{os.getpid()}.*"):
        file.rename(file.with_name(file.name.replace(f"-{os.getpid()}.", f"-{ENDED}.")))


@pytest.mark.parametrize("answer", [["recover", "save"], ["recover", "revert"], ["discard"]], ids=str)
def test_what_has_been_answered_is_not_offered_again(path: Path, answer: list[str]) -> None:
    leave(path)
    bench = Bench(path)
    assert bench.state["recovery"]["path"] == str(path)
    for what in answer:
        bench.ask(what)
    assert bench.troubles == []
    bench.bench.poll(1e9)
    bench.turn()
    bench.bench.close()
    ended()
    assert find_recoveries() == []


def test_what_was_taken_back_and_is_still_not_saved_is_offered_once_and_not_twice(path: Path) -> None:
    leave(path)
    bench = Bench(path)
    bench.ask("recover")
    bench.bench.close()
    ended()
    (again,) = find_recoveries()
    assert again.text == EDITED


def test_what_cannot_be_built_any_more_stays_where_it_is(path: Path) -> None:
    left = leave(path, text=EDITED.replace('x = "a"', 'x = "ebb("'))
    bench = Bench(path)
    bench.ask("recover")
    bench.bench.poll(1e9)
    bench.turn()
    assert bench.heard() == (0.25, -0.25)
    assert left.exists()


def test_what_an_earlier_version_left_is_told_with_the_file_that_can_be_mended(path: Path) -> None:
    left = leave(
        path, text=EDITED + '[[control]]\nmessage = "cc"\nnumber = 1\nparameter = "layer.1.level"\ngrip = "catch"\n'
    )
    for file in (left, left.with_suffix(".toml")):
        file.write_text(file.read_text().replace("grip", "takeover").replace("catch", "pickup"))
    bench = Bench(path)
    bench.ask("recover")
    bench.turn()
    said = bench.set_list.trouble
    assert said.startswith(f"{left.with_suffix('.toml')}: control.")
    assert 'takeover is called grip now. Write grip = "catch". Mend it there and play that file' in said
    assert left.exists()


def test_what_is_opened_by_hand_is_not_offered_any_more(path: Path) -> None:
    left = leave(path)
    playable = left.with_suffix(".toml")
    Bench(playable)
    assert not left.exists()
    assert playable.exists()


def test_offers_are_one_line_with_the_newest_and_their_number(path: Path) -> None:
    for k in range(4):
        left = leave(path, ENDED + k)
        os.utime(left, (1e9 + k, 1e9 + k))
    bench = Bench(path)
    bench.said.clear()
    bench.bench.tell_recovery()
    (line,) = bench.said
    assert "3 older" in line
    assert str(left.with_suffix(".toml")) in line


def test_a_full_disk_is_told_once_until_it_ends(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    full = [True]

    def refuse(*given: Any) -> None:
        if full[0]:
            raise OSError(28, "No space left on device")
        write_atomically(*given)

    monkeypatch.setattr(kept, "write_atomically", refuse)
    bench = Bench(path)
    bench.ask("set", address="layer.1.level", value=0.75)
    for now in (1e9, 2e9, 3e9):
        bench.bench.poll(now)
        bench.turn()
    assert ["No space left" in line for line in bench.troubles] == [True]
    full[0] = False
    bench.bench.poll(4e9)
    bench.turn()
    assert recovery_path(path).exists()
    full[0] = True
    bench.ask("set", address="layer.1.level", value=0.625)
    bench.bench.poll(5e9)
    bench.turn()
    assert len(bench.troubles) == 2


class TestPerformance:
    """A performance in a file moves the fader of the first layer (controller 3); so may a hand, on it."""

    @pytest.fixture
    def bench(self, path: Path) -> Iterator[Bench]:
        bench = Bench(path)
        bench.bench.perform(PerformanceFeeder(bench.engine, [midi_event(0, 0xB0, 3, 0)]))
        self.play_until(bench, lambda: bench.engine.value("layer.1.level") == 0.0)
        yield bench
        bench.bench.close()

    @staticmethod
    def play_until(bench: Bench, done: Callable[[], bool]) -> None:
        for _ in range(2000):
            bench.turn()
            bench.bench.poll(0.0)
            if done():
                return
            time.sleep(0.001)
        pytest.fail("nothing came of it")

    @staticmethod
    def move(bench: Bench, value: int) -> None:
        bench.engine.push(midi_event(0, 0xB0, 3, value), RING_MIDI)

    @staticmethod
    def unsaved(bench: Bench) -> bool:
        return bool(bench.state["unsaved"])

    def test_what_it_moves_is_no_change_of_anybodys_while_it_plays_and_after(self, bench: Bench) -> None:
        assert not self.unsaved(bench)
        self.play_until(bench, lambda: not bench.set_list.performed)
        assert not self.unsaved(bench)
        bench.said.clear()
        bench.bench.close()
        assert bench.said == []

    def test_a_hand_that_plays_along_changes_the_patch(self, bench: Bench) -> None:
        self.move(bench, 64)
        self.play_until(bench, lambda: self.unsaved(bench))
        bench.bench.close()
        assert any("unsaved changes of heron.toml are kept" in line for line in bench.said)

    def test_a_hand_that_comes_afterwards_changes_the_patch(self, bench: Bench) -> None:
        self.play_until(bench, lambda: not bench.set_list.performed)
        self.move(bench, 64)
        self.play_until(bench, lambda: self.unsaved(bench))
