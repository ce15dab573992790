"""The factory performance is what its maker makes, and suits the factory patches."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import mido
import numpy as np
import pytest

from instrument.engine.engine import Engine
from instrument.engine.memory.layout import RING_PERFORM
from instrument.midi.files.performance import read_performance
from instrument.patch.build import build_program
from instrument.patch.factory import factory_folder
from instrument.patch.patch_file import load_patch
from tools.factory.make_performance import FILE, performance

if TYPE_CHECKING:
    from pathlib import Path

RATE = 48_000.0
LEAD = 64
PATCHES = [factory_folder() / f"{name}.toml" for name in ("buoy", "knot", "lighthouse", "quay")]


def test_the_file_is_what_the_maker_makes(tmp_path: Path) -> None:
    performance().save(tmp_path / "made.mid")
    assert FILE.read_bytes() == (tmp_path / "made.mid").read_bytes()


def test_it_lasts_between_half_a_minute_and_a_minute() -> None:
    assert 30 <= mido.MidiFile(FILE).length <= 60


def test_it_turns_every_knob_from_1_to_8_and_bends_and_ends_every_note() -> None:
    messages = [event.data for event in read_performance(FILE, RATE)]
    for number in range(1, 9):
        assert len({second for status, first, second in messages if (status, first) == (0xB0, number)}) > 10
    assert len({data for data in messages if data[0] == 0xE0}) > 20
    held: set[int] = set()
    for status, key, _ in messages:
        if status == 0x90:
            assert key not in held
            held.add(key)
        elif status == 0x80:
            held.remove(key)
    assert held == set()


@pytest.mark.parametrize("path", PATCHES, ids=lambda path: path.stem)
def test_it_is_seen_and_heard_in_every_factory_patch(path: Path) -> None:
    program = build_program(load_patch(path))
    seconds = 12

    def played(events: bool) -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
        engine = Engine(RATE)
        engine.play(program)
        engine.render(LEAD)  # the patch plays before the first hand moves, as on the stage
        given = [replace(event, time=event.time + LEAD) for event in read_performance(FILE, RATE)]
        if not events:
            given = []
        return engine.render(round(seconds * RATE), events=given, ring=RING_PERFORM)

    with_hands, without = played(events=True), played(events=False)
    assert np.abs(with_hands).max() <= 1.0
    for second in range(seconds):
        part = slice(round(second * RATE), round((second + 1) * RATE))
        assert np.abs(with_hands[part]).max() > 0.1
        assert not np.array_equal(with_hands[part], without[part])
