"""Keys become note messages, and every note that begins also ends."""

import numpy as np
import numpy.typing as npt
import pygame
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.memory.allocation import allocate
from instrument.engine.memory.layout import EVENT_MIDI, RING_EVENTS, RING_WINDOW
from instrument.window.keyboard_notes import NoteKeys
from instrument.window.keys import SEMITONES
from tests.window.memory import RATE, take_messages

Record = npt.NDArray[np.void]

A, S = pygame.KSCAN_A, pygame.KSCAN_S


@pytest.fixture(scope="module")
def memory() -> Record:
    return allocate(RATE, ring_seconds=0.01).record


@pytest.fixture
def record(memory: Record) -> Record:
    take_messages(memory)
    return memory


def test_a_key_begins_a_note_and_its_release_ends_it(record: Record) -> None:
    # Note On is 9n key velocity, Note Off 8n key velocity: MIDI 1.0 Detailed Specification, Channel Voice Messages.
    notes = NoteKeys(record)
    notes.press(A)
    notes.release(A)
    assert take_messages(record) == [(0x90, 48, 100), (0x80, 48, 64)]


def test_a_key_without_a_note_does_nothing(record: Record) -> None:
    notes = NoteKeys(record)
    assert not notes.press(pygame.KSCAN_1)
    notes.release(pygame.KSCAN_1)
    assert take_messages(record) == []


def test_a_held_key_does_not_begin_its_note_again(record: Record) -> None:
    notes = NoteKeys(record)
    notes.press(A)
    assert not notes.press(A)
    assert len(take_messages(record)) == 1


def test_the_octave_keys_move_by_twelve_semitones(record: Record) -> None:
    notes = NoteKeys(record)
    notes.shift(1)
    notes.press(A)
    assert take_messages(record) == [(0x90, 60, 100)]


def test_a_note_ends_even_if_the_octave_moved_meanwhile(record: Record) -> None:
    notes = NoteKeys(record)
    notes.press(A)
    notes.shift(2)
    notes.release(A)
    assert take_messages(record)[-1] == (0x80, 48, 64)


def test_a_note_held_by_two_keys_ends_with_the_last(record: Record) -> None:
    notes = NoteKeys(record)
    notes.press(pygame.KSCAN_K)
    notes.shift(1)
    notes.press(A)
    take_messages(record)
    notes.release(A)
    assert take_messages(record) == []
    notes.release(pygame.KSCAN_K)
    assert take_messages(record) == [(0x80, 60, 64)]


def test_letting_go_of_everything_ends_every_note(record: Record) -> None:
    notes = NoteKeys(record)
    notes.press(A)
    notes.press(S)
    take_messages(record)
    notes.release_all()
    assert take_messages(record) == [(0x80, 48, 64), (0x80, 50, 64)]
    assert notes.held == ()


def test_a_full_ring_delays_a_release_and_never_loses_it(record: Record) -> None:
    notes = NoteKeys(record)
    notes.press(A)
    ring = record["rings"][RING_WINDOW]
    ring["tail"] = ring["head"] + RING_EVENTS
    ring["events"]["kind"] = EVENT_MIDI
    notes.release(A)
    assert ring["tail"] - ring["head"] == RING_EVENTS
    take_messages(record)
    notes.flush()
    assert take_messages(record) == [(0x80, 48, 64)]


def test_a_second_window_goes_on_where_the_first_one_ended(record: Record) -> None:
    NoteKeys(record).press(A)
    NoteKeys(record).press(S)
    assert [key for _, key, _ in take_messages(record)] == [48, 50]


moves = st.one_of(
    st.tuples(st.just("press"), st.sampled_from(sorted(SEMITONES))),
    st.tuples(st.just("release"), st.sampled_from(sorted(SEMITONES))),
    st.tuples(st.just("shift"), st.integers(-3, 3)),
)


@settings(max_examples=100, deadline=None)
@given(st.lists(moves, max_size=60))
def test_no_note_hangs_whatever_is_played(memory: Record, played: list[tuple[str, int]]) -> None:
    take_messages(memory)
    notes = NoteKeys(memory)
    for move, what in played:
        getattr(notes, move)(what)
    notes.release_all()
    sounding: set[int] = set()
    for status, key, _ in take_messages(memory):
        assert 0 <= key <= 127
        if status == 0x90:
            sounding.add(key)
        else:
            sounding.remove(key)
    assert not sounding
