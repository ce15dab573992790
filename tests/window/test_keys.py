"""The table of keys says one thing about each key, and a player may change it."""

import pygame
import pytest

from instrument.window.keys import (
    ACTIONS,
    BLACK_KEYS,
    COMMANDS,
    SEMITONES,
    WHITE_KEYS,
    Keyboard,
    held_keys,
    note_name,
    read_key,
)

NONE: frozenset[str] = frozenset()
CTRL = frozenset({"Ctrl"})


def test_the_home_row_is_a_c_major_scale() -> None:
    assert [SEMITONES[key] for key in WHITE_KEYS] == [0, 2, 4, 5, 7, 9, 11, 12, 14, 16, 17]


def test_the_row_above_plays_the_black_keys_between() -> None:
    assert [SEMITONES[key] for key in BLACK_KEYS if key is not None] == [1, 3, 6, 8, 10, 13, 15]


def test_no_two_keys_play_the_same_note() -> None:
    assert sorted(SEMITONES.values()) == list(range(18))


@pytest.mark.parametrize("where", ["desk", "stage"])
def test_every_action_is_reached_by_its_own_key(where: str) -> None:
    keyboard = Keyboard()
    for action in ACTIONS:
        if action.where in {"", where}:
            key = read_key(action.key)
            assert keyboard.action_for(key.code, key.scancode, key.held, where) == action.name


@pytest.mark.parametrize("place", sorted(SEMITONES))
def test_a_note_key_alone_is_no_action(place: int) -> None:
    for letter in (pygame.K_s, pygame.K_q, pygame.K_a):
        assert Keyboard().action_for(letter, place, NONE, "desk") is None


def test_letters_go_by_the_layout_where_it_is_latin() -> None:
    # On a French keyboard the key that prints Q is where a US keyboard has A, and the reverse.
    assert Keyboard().action_for(pygame.K_q, pygame.KSCAN_A, CTRL, "desk") == "quit"
    assert Keyboard().action_for(pygame.K_a, pygame.KSCAN_Q, CTRL, "desk") is None


def test_letters_go_by_place_where_the_layout_is_not_latin() -> None:
    short_i_cyrillic = 0x0439
    assert Keyboard().action_for(short_i_cyrillic, pygame.KSCAN_Q, CTRL, "desk") == "quit"


def test_every_command_has_a_key() -> None:
    assert {action.name for action in ACTIONS} >= COMMANDS


def test_a_key_is_changed_and_taken_away() -> None:
    keyboard = Keyboard({"blackout": "Pause", "reload": ""})
    assert keyboard.action_for(pygame.K_PAUSE, 0, NONE, "stage") == "blackout"
    assert keyboard.action_for(pygame.K_F10, 0, NONE, "stage") is None
    assert keyboard.action_for(pygame.K_F5, 0, NONE, "stage") is None
    assert keyboard.shown("blackout") == "Pause"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"blackuot": "F10"}, "there is no action 'blackuot'"),
        ({"blackout": "F13"}, "'F13' is no key"),
        ({"blackout": "Ctrl T"}, "Ctrl T cannot be the key of both blackout and record"),
        ({"blackout": "A"}, "A plays a note and cannot be the key of blackout"),
        ({"blackout": "Ctrl Z"}, "cannot be the key of both"),
    ],
)
def test_a_change_that_cannot_be_is_refused(changes: dict[str, str], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Keyboard(changes)


def test_held_keys_are_told_by_their_bits() -> None:
    assert held_keys(pygame.KMOD_LCTRL | pygame.KMOD_RSHIFT) == {"Ctrl", "Shift"}
    assert held_keys(pygame.KMOD_LMETA) == {"Ctrl"}


@pytest.mark.parametrize(
    ("key", "name"),
    # A4 = 440 Hz is ISO 16; key 69 for it, and 21 to 108 for the piano's A0 to C8, are common practice, no source.
    [(69, "A4"), (21, "A0"), (108, "C8"), (61, "C#4"), (127, "G9")],
)
def test_notes_are_named_from_a4(key: int, name: str) -> None:
    assert note_name(key) == name
