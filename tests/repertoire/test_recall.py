"""Patches of a performance, recalled by keys, pads and program changes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from instrument.engine.engine import Engine, action_event, midi_event
from instrument.engine.memory.layout import ACTIONS, MESSAGES
from instrument.engine.parameters import index_of
from instrument.engine.program import Program, new_program
from instrument.repertoire.recall import PRELOADED, Recall

PROGRAM_CHANGE = 0xC0
"""MIDI 1.0 Detailed Specification, table 1."""


def patch(level: float) -> Program:
    program = new_program()
    program.record["fade_seconds"] = 0.0
    program.draw_path(0, np.array([[level, 0.0, 0.0]]))
    row = program.record["controls"][0]
    row["message"], row["channel"], row["number"] = MESSAGES.index("program"), -1, -1
    row["action"], row["argument"], row["param"] = ACTIONS.index("patch"), math.nan, index_of("output.level")
    program.record["n_controls"] = 1
    program.schedule()
    return program


class Show:
    """An engine with a set of patches, each told by its level."""

    def __init__(self, count: int) -> None:
        self.levels = [(k + 1) / 64 for k in range(count)]
        self.programs = [patch(level) for level in self.levels]
        self.engine = Engine(48000.0)
        self.recall = Recall(self.engine, lambda place: self.programs[place])
        self.recall.hold(count)
        self.recall.go_to(0)

    def heard(self) -> int:
        """Return the place that is heard."""
        return self.levels.index(float(self.engine.render(3)[-1, 0]))


def test_the_first_patch_plays_at_once() -> None:
    assert Show(3).heard() == 0


def test_a_recall_is_heard_with_the_next_block() -> None:
    show = Show(3)
    assert show.heard() == 0
    show.recall.go_to(2)
    assert show.heard() == 2
    assert show.recall.position == 2


@pytest.mark.parametrize("place", [1, PRELOADED - 1, PRELOADED, PRELOADED + 3])
def test_a_program_change_recalls_by_number_and_the_stage_follows(place: int) -> None:
    show = Show(PRELOADED + 4)
    assert show.heard() == 0
    show.engine.push(midi_event(0, PROGRAM_CHANGE, place))
    show.engine.render(1)
    assert show.recall.poll(PRELOADED + 4)
    assert show.recall.position == place
    assert show.heard() == place
    assert not show.recall.poll(PRELOADED + 4)


def test_the_last_patch_is_followed_by_the_first() -> None:
    show = Show(3)
    show.heard()
    found = []
    for _ in range(4):
        show.engine.push(action_event(0, "next"))
        found.append(show.heard())
        show.recall.poll(3)
    assert found == [1, 2, 0, 1]


def test_a_patch_that_was_saved_is_recalled_as_it_is_now() -> None:
    show = Show(3)
    assert show.heard() == 0
    show.programs[1] = patch(0.75)
    show.levels[1] = 0.75
    show.recall.changed(1)
    show.recall.poll(3)
    show.recall.go_to(1)
    assert show.heard() == 1


def test_a_patch_that_plays_while_it_is_saved_is_held_anew_once_it_has_ended() -> None:
    show = Show(3)
    assert show.heard() == 0
    show.programs[0] = patch(0.75)
    show.levels[0] = 0.75
    show.recall.changed(0)
    show.recall.poll(3)
    for place in (1, 2, 0):
        show.recall.go_to(place)
        assert show.heard() == place
        show.recall.poll(3)


def test_a_thousand_recalls_keep_to_the_memory_there_is() -> None:
    show = Show(8)
    for k in range(1000):
        show.recall.go_to(k % 8)
        assert show.heard() == k % 8
        show.recall.poll(8)
    assert int(show.engine.record["counters"]["refused_events"]) == 0
