"""The table of keys says one thing about each key."""

import pygame
import pytest

from instrument.window.keys import ACTIONS, BLACK_KEYS, COMMANDS, SEMITONES, WHITE_KEYS, action_for, note_name


def test_the_home_row_is_a_c_major_scale() -> None:
    assert [SEMITONES[key] for key in WHITE_KEYS] == [0, 2, 4, 5, 7, 9, 11, 12, 14, 16, 17]


def test_the_row_above_plays_the_black_keys_between() -> None:
    assert [SEMITONES[key] for key in BLACK_KEYS if key is not None] == [1, 3, 6, 8, 10, 13, 15]


def test_no_two_keys_play_the_same_note() -> None:
    assert sorted(SEMITONES.values()) == list(range(18))


def test_no_two_actions_share_a_key() -> None:
    assert len({(action.code, action.control) for action in ACTIONS}) == len(ACTIONS)


def test_no_action_takes_a_key_from_the_piano() -> None:
    for action in ACTIONS:
        assert action.control or action.place == 0
        assert action_for(action.code, 0, control=action.control) == action.name


@pytest.mark.parametrize("place", sorted(SEMITONES))
def test_a_note_key_alone_is_no_action(place: int) -> None:
    for letter in (pygame.K_s, pygame.K_q, pygame.K_a):
        assert action_for(letter, place, control=False) is None


def test_letters_go_by_the_layout_where_it_is_latin() -> None:
    # On a French keyboard the key that prints Q is where a US keyboard has A, and the reverse.
    assert action_for(pygame.K_q, pygame.KSCAN_A, control=True) == "quit"
    assert action_for(pygame.K_a, pygame.KSCAN_Q, control=True) is None


def test_letters_go_by_place_where_the_layout_is_not_latin() -> None:
    short_i_cyrillic = 0x0439
    assert action_for(short_i_cyrillic, pygame.KSCAN_Q, control=True) == "quit"


def test_every_command_has_a_key() -> None:
    assert {action.name for action in ACTIONS} >= COMMANDS


@pytest.mark.parametrize(
    ("key", "name"),
    # A4 = 440 Hz is ISO 16; key 69 for it, and 21 to 108 for the piano's A0 to C8, are common practice, no source.
    [(69, "A4"), (21, "A0"), (108, "C8"), (61, "C#4"), (127, "G9")],
)
def test_notes_are_named_from_a4(key: int, name: str) -> None:
    assert note_name(key) == name
