"""What each key of the computer keyboard does: one table for notes, one for everything else."""

from __future__ import annotations

from dataclasses import dataclass

import pygame

WHITE_KEYS = (
    pygame.KSCAN_A,
    pygame.KSCAN_S,
    pygame.KSCAN_D,
    pygame.KSCAN_F,
    pygame.KSCAN_G,
    pygame.KSCAN_H,
    pygame.KSCAN_J,
    pygame.KSCAN_K,
    pygame.KSCAN_L,
    pygame.KSCAN_SEMICOLON,
    pygame.KSCAN_APOSTROPHE,
)
"""The home row, by place and not by letter, so that every layout plays alike."""

BLACK_KEYS = (
    None,
    pygame.KSCAN_W,
    pygame.KSCAN_E,
    None,
    pygame.KSCAN_T,
    pygame.KSCAN_Y,
    pygame.KSCAN_U,
    None,
    pygame.KSCAN_O,
    pygame.KSCAN_P,
)
"""The row above: each black key stands left of the white one with the same index, as on a piano."""

_WHITE_STEPS = (0, 2, 4, 5, 7, 9, 11)
"""Semitones of C D E F G A B above C."""

NOTE_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")

SEMITONES = {
    key: 12 * (k // 7) + _WHITE_STEPS[k % 7] - black
    for black, row in enumerate((WHITE_KEYS, BLACK_KEYS))
    for k, key in enumerate(row)
    if key is not None
}
"""Semitones above the lowest key, for each scancode that plays a note."""


@dataclass(frozen=True)
class Action:
    """One thing a key does.

    Attributes
    ----------
    name : str
        What the window calls it; commands to the stage have the same name there.
    about : str
        Words for the help overlay.
    shown : str
        The key, as printed on it.
    code : int
        Key code (`pygame.K_...`): for letters the one the player's own layout gives.
    place : int
        Scancode that counts where the layout has no Latin letters; 0 for keys that are not letters.
    control : bool
        Whether Control (or Command) is held with it.
    """

    name: str
    about: str
    shown: str
    code: int
    place: int = 0
    control: bool = False


ACTIONS = (
    Action("next", "next patch", "Page Down", pygame.K_PAGEDOWN),
    Action("previous", "previous patch", "Page Up", pygame.K_PAGEUP),
    Action("panic", "panic: let go of every note", "Space", pygame.K_SPACE),
    Action("octave_down", "keyboard one octave lower", "Left arrow", pygame.K_LEFT),
    Action("octave_up", "keyboard one octave higher", "Right arrow", pygame.K_RIGHT),
    Action("save", "save the patch as it sounds now", "Ctrl S", pygame.K_s, pygame.KSCAN_S, control=True),
    Action("reload", "read the patch file again", "F5", pygame.K_F5),
    Action("text", "hide or show the line of text", "Tab", pygame.K_TAB),
    Action("graticule", "graticule: off, faint, bright", "F2", pygame.K_F2),
    Action("phosphor", "next phosphor", "F3", pygame.K_F3),
    Action("turn", "turn the picture by a quarter", "F4", pygame.K_F4),
    Action("mirror", "mirror the picture, or back", "F6", pygame.K_F6),
    Action("fullscreen", "whole screen, or back", "F11", pygame.K_F11),
    Action("help", "this page", "F1", pygame.K_F1),
    Action("leave", "close this page, leave whole screen", "Esc", pygame.K_ESCAPE),
    Action("quit", "end the performance", "Ctrl Q", pygame.K_q, pygame.KSCAN_Q, control=True),
)

COMMANDS = frozenset({"quit", "next", "previous", "panic", "save", "reload"})
"""Actions that the stage carries out; the window does the others by itself."""

_LATIN = range(0x80)


def action_for(code: int, place: int, *, control: bool) -> str | None:
    """Return the name of the action of a key, or None if it has none.

    Parameters
    ----------
    code, place : int
        Key code and scancode of the key.
    control : bool
        Whether Control or Command is down.
    """
    for action in ACTIONS:
        by_place = action.place != 0 and place == action.place and code not in _LATIN
        same = code == action.code or by_place
        if same and control == action.control:
            return action.name
    return None


def note_name(key: int) -> str:
    """Return the name of a MIDI key number, with A4 = 69 (440 Hz, ISO 16).

    Examples
    --------
    >>> note_name(69), note_name(60), note_name(0)
    ('A4', 'C4', 'C-1')
    """
    return f"{NOTE_NAMES[key % 12]}{key // 12 - 1}"
