"""Keys of the computer keyboard: one table for notes, one for everything else."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pygame

if TYPE_CHECKING:
    from collections.abc import Mapping

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
    key : str
        The key as it is written in the settings and in the help, such as ``Ctrl S``; see `read_key`.
    where : str
        ``desk`` or ``stage`` where it counts in one of the views only.
    """

    name: str
    about: str
    key: str
    where: str = ""


ACTIONS = (
    Action("view", "stage view or desk view", "F12"),
    Action("fullscreen", "whole screen, or back", "F11"),
    Action("second", "picture on the second display, or back", "Shift F11"),
    Action("help", "this page", "F1"),
    Action("leave", "stop typing, close this page, leave the whole screen", "Esc"),
    Action("panic", "panic: let go of every note", "Space"),
    Action("blackout", "blackout, or light again", "F10"),
    Action("freeze", "freeze the picture, or let it go on", "Shift F10"),
    Action("record", "record a take, or end it", "Ctrl T"),
    Action("keep", "make a take of the last minutes", "Ctrl Shift T"),
    Action("tap", "tap the tempo", "place \\"),
    Action("next", "next patch", "Page Down"),
    Action("previous", "previous patch", "Page Up"),
    Action("octave_down", "keyboard one octave lower", "place ["),
    Action("octave_up", "keyboard one octave higher", "place ]"),
    Action("octave_down", "the same in the stage view", "Left", "stage"),
    Action("octave_up", "the same in the stage view", "Right", "stage"),
    Action("undo", "undo", "Ctrl Z"),
    Action("redo", "redo", "Ctrl Y"),
    Action("save", "save the patch as it sounds now", "Ctrl S"),
    Action("save_as", "save it under another name", "Ctrl Shift S"),
    Action("revert", "go back to the saved patch", "Ctrl R"),
    Action("reload", "read the patch file again", "F5"),
    Action("search", "search the set list", "Ctrl F"),
    Action("layers", "page Layers", "Ctrl 1"),
    Action("motion", "page Motion", "Ctrl 2"),
    Action("hands", "page Hands", "Ctrl 3"),
    Action("patches", "page Patches", "Ctrl 4"),
    Action("reset", "reset the value to the patch's", "Backspace", "desk"),
    Action("learn", "learn a control for the value", "Ctrl L", "desk"),
    Action("link", "link a modulator to the value", "Ctrl K", "desk"),
    Action("dim", "dim the window, or not", "F8"),
    Action("text", "hide or show the line of text", "F7", "stage"),
    Action("graticule", "graticule: off, faint, bright", "F2"),
    Action("phosphor", "next phosphor", "F3"),
    Action("turn", "turn the picture by a quarter", "F4"),
    Action("mirror", "mirror the picture, or back", "F6"),
    *(Action(f"pad_{k + 1}", f"snapshot pad {k + 1}", f"place {letter}") for k, letter in enumerate("ZXCVBNM,")),
    *(
        Action(f"store_{k + 1}", f"keep what sounds in pad {k + 1}", f"Shift place {letter}")
        for k, letter in enumerate("ZXCVBNM,")
    ),
    Action("quit", "end the performance", "Ctrl Q"),
)

COMMANDS = frozenset(
    {
        *("quit", "next", "previous", "panic", "save", "reload", "revert", "undo", "redo"),
        *("blackout", "freeze", "record", "keep", "tap"),
    }
)
"""Actions that the stage carries out; the window does the others by itself."""

PADS = 8
"""Snapshots that have a key of their own."""

_LATIN = range(0x80)

_CODES = {
    **{chr(code).upper(): code for code in (*range(pygame.K_a, pygame.K_z + 1), *range(pygame.K_0, pygame.K_9 + 1))},
    **{f"F{k + 1}": pygame.K_F1 + k for k in range(12)},
    "Page Down": pygame.K_PAGEDOWN,
    "Page Up": pygame.K_PAGEUP,
    "Space": pygame.K_SPACE,
    "Left": pygame.K_LEFT,
    "Right": pygame.K_RIGHT,
    "Up": pygame.K_UP,
    "Down": pygame.K_DOWN,
    "Esc": pygame.K_ESCAPE,
    "Backspace": pygame.K_BACKSPACE,
    "Delete": pygame.K_DELETE,
    "Tab": pygame.K_TAB,
    "Enter": pygame.K_RETURN,
    "Home": pygame.K_HOME,
    "End": pygame.K_END,
    "Insert": pygame.K_INSERT,
    "Pause": pygame.K_PAUSE,
    "Print": pygame.K_PRINTSCREEN,
}
_SCANCODES = {
    **{chr(ord("A") + k): pygame.KSCAN_A + k for k in range(26)},
    "[": pygame.KSCAN_LEFTBRACKET,
    "]": pygame.KSCAN_RIGHTBRACKET,
    "\\": pygame.KSCAN_BACKSLASH,
    ",": pygame.KSCAN_COMMA,
    ".": pygame.KSCAN_PERIOD,
    "/": pygame.KSCAN_SLASH,
    "`": pygame.KSCAN_GRAVE,
}
_HELD = ("Ctrl", "Shift", "Alt")


@dataclass(frozen=True)
class Key:
    """A key with what is held with it.

    Attributes
    ----------
    code : int
        Key code (`pygame.K_...`), for letters the one of the player's own layout; 0 where only the place counts.
    scancode : int
        Place of the key; where a letter is named, it counts on layouts without Latin letters only. 0 for none.
    held : frozenset of str
        Of ``Ctrl``, ``Shift`` and ``Alt``.
    """

    code: int
    scancode: int
    held: frozenset[str]

    def is_pressed(self, code: int, scancode: int, held: frozenset[str]) -> bool:
        """Return whether an event of the keyboard is this key."""
        if held != self.held:
            return False
        by_scancode = self.scancode != 0 and scancode == self.scancode and (self.code == 0 or code not in _LATIN)
        return by_scancode or (self.code != 0 and code == self.code)


def read_key(words: str) -> Key:
    """Return the key that words such as ``Ctrl Shift S``, ``F9`` or ``place [`` mean.

    ``place`` before a sign of a US keyboard means the key at that place, whatever it prints.

    Raises
    ------
    ValueError
        If there is no such key.

    Examples
    --------
    >>> read_key("Ctrl S").code == pygame.K_s, read_key("place [").scancode == pygame.KSCAN_LEFTBRACKET
    (True, True)
    """
    rest, held = words.strip(), set()
    while rest.split(" ", 1)[0] in _HELD and " " in rest:
        first, rest = rest.split(" ", 1)
        held.add(first)
    if rest.startswith("place ") and rest[6:] in _SCANCODES:
        return Key(0, _SCANCODES[rest[6:]], frozenset(held))
    if rest in _CODES:
        return Key(_CODES[rest], _SCANCODES.get(rest, 0), frozenset(held))
    raise ValueError(
        f"{words!r} is no key; keys are written like Ctrl S, Shift F10, Page Up, or place [ for the key at a place"
    )


class Keyboard:
    """Which key does what.

    Parameters
    ----------
    changes : mapping of str to str, optional
        Keys of some actions by name, in place of the usual ones; an empty text takes a key away.

    Raises
    ------
    ValueError
        If there is no such action or key, or two actions would have the same one.
    """

    def __init__(self, changes: Mapping[str, str] | None = None) -> None:
        changes = changes or {}
        names = {action.name for action in ACTIONS}
        for name in changes:
            if name not in names:
                raise ValueError(f"there is no action {name!r}; there are {', '.join(sorted(names))}")
        found = [replace(action, key=changes.get(action.name, action.key)) for action in ACTIONS]
        self.actions = tuple(dict.fromkeys(action for action in found if action.key))
        self._keys = [(read_key(action.key), action) for action in self.actions]
        taken: dict[tuple[Key, str], str] = {}
        for key, action in self._keys:
            _check_free(key, action)
            for where in (action.where,) if action.where else ("desk", "stage"):
                other = taken.setdefault((key, where), action.name)
                if other != action.name:
                    raise ValueError(f"{action.key} cannot be the key of both {other} and {action.name}")

    def action_for(self, code: int, scancode: int, held: frozenset[str], where: str) -> str | None:
        """Return the name of the action of a key, or None if it has none.

        Parameters
        ----------
        code, scancode : int
            Key code and scancode of the key.
        held : frozenset of str
        where : str
            The view, ``desk`` or ``stage``.
        """
        for key, action in self._keys:
            if action.where in {"", where} and key.is_pressed(code, scancode, held):
                return action.name
        return None

    def shown(self, name: str) -> str:
        """Return the key of an action as it is printed, or nothing."""
        key = next((action.key for action in self.actions if action.name == name), "")
        return key.replace("place ", "")


def _check_free(key: Key, action: Action) -> None:
    if not key.held & {"Ctrl", "Alt"} and key.scancode in SEMITONES:
        raise ValueError(f"{action.key} plays a note and cannot be the key of {action.name}; hold Ctrl with it")


def held_keys(modifiers: int) -> frozenset[str]:
    """Return which of Ctrl (or Command), Shift and Alt are down, from the bits of `pygame.key.get_mods`."""
    held = set()
    if modifiers & (pygame.KMOD_CTRL | pygame.KMOD_META):
        held.add("Ctrl")
    if modifiers & pygame.KMOD_SHIFT:
        held.add("Shift")
    if modifiers & pygame.KMOD_ALT:
        held.add("Alt")
    return frozenset(held)


def note_name(key: int) -> str:
    """Return the name of a MIDI key number, with A4 = 69 (440 Hz, ISO 16).

    Examples
    --------
    >>> note_name(69), note_name(60), note_name(0)
    ('A4', 'C4', 'C-1')
    """
    return f"{NOTE_NAMES[key % 12]}{key // 12 - 1}"
