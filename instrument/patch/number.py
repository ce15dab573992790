"""Typed numbers: arithmetic in text, note names, infinities and nan, as IEEE 754 has them."""

from __future__ import annotations

import ast
import operator
import re
import warnings
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from instrument.engine.parameters import ROWS, index_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

LONGEST = 200
"""Characters that an expression may have; more than anybody types, less than hurts."""

Notes = Literal["key", "hertz"]
"""Meaning of a note name: its MIDI key number, or its frequency."""

A4_KEY = 69
"""MIDI 1.0 Detailed Specification, table 2: key 60 is middle C, which is C4 here, so A4 is 69."""

A4_HERTZ = 440.0
"""ISO 16:1975, standard tuning frequency."""

_SEMITONES = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
_SHARPENED = {"#": 1, "♯": 1, "b": -1, "♭": -1}
_NOTE = re.compile(r"(?<![\w.])([A-Ga-g])(##|#|♯|bb|b|♭)?(-?\d{1,3})(?![\w.#♯♭])")

_CONSTANTS = {"inf": np.inf, "nan": np.nan, "pi": np.pi, "tau": 2 * np.pi, "e": np.e}
_FUNCTIONS: Mapping[str, tuple[Callable[..., Any], int]] = {
    "abs": (np.abs, 1),
    "acos": (np.arccos, 1),
    "asin": (np.arcsin, 1),
    "atan": (np.arctan, 1),
    "ceil": (np.ceil, 1),
    "cos": (np.cos, 1),
    "exp": (np.exp, 1),
    "floor": (np.floor, 1),
    "log": (np.log, 1),
    "log10": (np.log10, 1),
    "log2": (np.log2, 1),
    "max": (np.maximum, 2),
    "min": (np.minimum, 2),
    "round": (np.round, 1),
    "sin": (np.sin, 1),
    "sqrt": (np.sqrt, 1),
    "tan": (np.tan, 1),
}
_OPERATORS: Mapping[type[ast.AST], Callable[..., Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.FloorDiv: operator.floordiv,
    ast.Mod: operator.mod,
    ast.Pow: operator.pow,
    ast.UAdd: operator.pos,
    ast.USub: operator.neg,
}


class NumberError(ValueError):
    """A text is not a number; the message says why, in one clause without a full stop."""


def evaluate(text: str, notes: Notes = "key") -> float:
    """Return the value of a typed number.

    Parameters
    ----------
    text : str
        A number, a note name, or arithmetic on them with ``+ - * / // % **``, brackets, ``inf``,
        ``nan``, ``pi``, ``tau``, ``e``, and functions such as ``sqrt`` and ``sin`` (radians).
    notes : {"key", "hertz"}
        What a note name such as ``A4``, ``C#4`` or ``Bb2`` stands for.

    Returns
    -------
    float
        Any double, infinities and nan included.

    Raises
    ------
    NumberError
        If the text is something else.

    Source
    ------
    IEEE 754-2019, 7.3 and 7.4: a division by zero and an overflow give signed infinity.

    Examples
    --------
    >>> evaluate("3*440"), evaluate("-1/0"), evaluate("A4"), evaluate("A4", notes="hertz")
    (1320.0, -inf, 69.0, 440.0)
    """
    stripped = text.strip()
    if len(stripped) > LONGEST:
        raise NumberError(f"it has {len(stripped)} characters, at most {LONGEST} are read")
    if not stripped:
        raise NumberError("it is empty")
    try:
        return float(stripped)
    except ValueError:
        pass
    # Note names are put in as numbers ahead of Python's parser, for which C#4 would be a comment. Arithmetic is NumPy's, not
    # Python's: 1/0 is infinite, 1e999 too, and no power can grow into a whole number of a million digits.
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return float(_value(_parse(_NOTE.sub(lambda found: _note_literal(found, notes), stripped))))


def to_number(value: object, notes: Notes = "key") -> float:
    """Return a float from what a file or a message holds: an integer of any size, a float or a text.

    Raises
    ------
    NumberError
        If it is none of these; true and false are no numbers.
    """
    if isinstance(value, str):
        return evaluate(value, notes)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise NumberError(f"it is {kind_of(value)}")
    return _widened(value)


def number_for(address: str, value: object) -> float:
    """Return the number that a parameter gets from what was typed: note names in Hz for a pitch in Hz.

    A parameter that chooses takes the names of its choices too.

    Raises
    ------
    KeyError
        If there is no such address.
    NumberError
        If the value is not a number.

    Examples
    --------
    >>> number_for("layer.1.pen.frequency", "A2"), number_for("layer.1.pen.key", "A2")
    (110.0, 45.0)
    >>> number_for("layer.1.pen.direction", "swing")
    2.0
    """
    row = ROWS[index_of(address)]
    if isinstance(value, str) and value in row.choices:
        return float(row.choices.index(value))
    return to_number(value, notes_for(row.unit))


def notes_for(unit: str) -> Notes:
    """Return what a note name means to a parameter of this unit."""
    return "hertz" if unit.startswith("Hz") else "key"


def note_to_key(name: str) -> int:
    """Return the MIDI key number of a note name; C4 is 60.

    Raises
    ------
    NumberError
        If it is not a note name.

    Examples
    --------
    >>> note_to_key("C4"), note_to_key("C#4"), note_to_key("Bb-1")
    (60, 61, 10)
    """
    found = _NOTE.fullmatch(name.strip())
    if found is None:
        raise NumberError("a note name is a letter A to G, perhaps # or b, and an octave, such as C#4")
    letter, accidental, octave = found.groups()
    shift = sum(_SHARPENED[mark] for mark in accidental or "")
    return 12 * (int(octave) + 1) + _SEMITONES[letter.lower()] + shift


def key_to_hertz(key: float) -> float:
    """Return the frequency of a key number in twelve-tone equal temperament, A4 = 440 Hz (ISO 16:1975)."""
    with np.errstate(all="ignore"):
        return float(A4_HERTZ * np.float64(2.0) ** ((np.float64(key) - A4_KEY) / 12.0))


def kind_of(value: object) -> str:
    """Return what a value of a TOML file is, in plain words."""
    kinds: tuple[tuple[type | tuple[type, ...], str], ...] = (
        (bool, "true or false"),
        ((int, float), "a number"),
        (str, "a text"),
        (list, "a list"),
        (dict, "a table"),
    )
    return next((words for kind, words in kinds if isinstance(value, kind)), "a date or time")


def _note_literal(found: re.Match[str], notes: Notes) -> str:
    key = note_to_key(found.group())
    return f"({key_to_hertz(key)!r})" if notes == "hertz" else f"({key})"


def _widened(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return float("inf") if value > 0 else float("-inf")


def _parse(text: str) -> ast.expr:
    try:
        return ast.parse(text, mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise NumberError("it is not arithmetic that can be read") from None


def _value(node: ast.AST) -> Any:
    match node:
        case ast.Constant(value=bool() | complex() | str() | bytes()):
            pass
        case ast.Constant(value=int() | float() as number):
            return np.float64(_widened(number))
        case ast.Name(id=name) if name in _CONSTANTS:
            return np.float64(_CONSTANTS[name])
        case ast.Name(id=name):
            raise NumberError(f"{name} is not known; names are {', '.join(_CONSTANTS)} and notes such as C#4")
        case ast.UnaryOp(op=op, operand=operand) if type(op) in _OPERATORS:
            return _OPERATORS[type(op)](_value(operand))
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _OPERATORS:
            return _OPERATORS[type(op)](_value(left), _value(right))
        case ast.BinOp(op=ast.BitXor()):
            raise NumberError("a power is written **, not ^")
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in _FUNCTIONS:
            function, count = _FUNCTIONS[name]
            if len(args) != count:
                raise NumberError(f"{name} takes {count} number{'s' if count > 1 else ''}, not {len(args)}")
            return function(*(_value(argument) for argument in args))
        case ast.Call(func=ast.Name(id=name)):
            raise NumberError(f"{name} is not a function that is known; there are {', '.join(_FUNCTIONS)}")
    raise NumberError("it holds something that is not arithmetic")
