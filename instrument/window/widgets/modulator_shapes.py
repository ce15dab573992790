"""Shapes of modulators over one cycle, as the pages draw them; the engine's own are `engine.modulate_*`."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

from instrument.patch.number import NumberError, to_number

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Points = list[tuple[float, float]]
"""Places in the cycle, 0 to 1, and values."""

_LINE = 24
"""Straight pieces that a bent line is drawn with."""

STAGES = ("delay", "attack", "hold", "decay", "sustain", "release")


_WAVES = ("sine", "triangle", "saw", "square", "falling saw")


def lfo_name(shape: float) -> str:
    """Return the name of the waveform that an LFO draws with any number for its shape, as `engine.numeric.choice`.

    Examples
    --------
    >>> lfo_name(2.0), lfo_name(-1e308), lfo_name(float("inf"))
    ('saw', 'sine', 'falling saw')
    """
    return _WAVES[0 if math.isnan(shape) else int(min(max(shape, 0.0), len(_WAVES) - 1.0) + 0.5)]


def lfo_shape(shape: str, width: float, count: int = 96) -> Points:
    """Return the waveform of an LFO, as `engine.modulate_cycle.lfo_value` has it."""
    return [(k / count, _wave(shape, k / count, width)) for k in range(count + 1)]


def _wave(shape: str, turns: float, width: float) -> float:
    if shape == "triangle":
        if turns < width:
            return 2.0 * turns / width - 1.0
        return 1.0 - 2.0 * (turns - width) / (1.0 - width) if width < 1.0 else 1.0
    if shape == "square":
        return 1.0 if turns < width else -1.0
    saw = 2.0 * turns - 1.0
    return {"saw": saw, "falling saw": -saw}.get(shape, math.sin(2 * math.pi * turns))


def bent(u: float, steepness: float) -> float:
    """Return the bent line of `engine.bend`: (e**(b u) - 1) / (e**b - 1).

    Examples
    --------
    >>> bent(0.5, 0.0), bent(1.0, 3.0)
    (0.5, 1.0)
    """
    if not math.isfinite(steepness) or abs(steepness) < 1e-4:
        return u
    b = min(max(steepness, -100.0), 100.0)
    return math.expm1(b * u) / math.expm1(b)


def curve_shape(rows: Sequence[Sequence[float]]) -> Points:
    """Return the line through breakpoints [time, value, bend]."""
    found: Points = [(0.0, rows[0][1])] if rows else []
    for before, after in itertools.pairwise(rows):
        pieces = 1 if before[2] == 0 else _LINE
        for k in range(pieces):
            u = k / pieces
            value = before[1] + (after[1] - before[1]) * bent(u, before[2])
            found.append((before[0] + (after[0] - before[0]) * u, value))
    return [*found, (rows[-1][0], rows[-1][1]), (1.0, rows[-1][1])] if rows else []


def steps_shape(rows: Sequence[Sequence[float]]) -> Points:
    """Return the line of steps [value, glide, probability, gate]; a step that may be left out is drawn as played."""
    found: Points = []
    level = rows[-1][0] if rows else 0.0
    for k, (value, glide, _, gate) in enumerate(rows):
        left, width = k / len(rows), 1 / len(rows)
        found.append((left, level))
        found.append((left + width * min(max(glide, 0.0), 1.0), value))
        level = value
        if gate < 1.0:
            found += [(left + width * max(gate, 0.0), value), (left + width * max(gate, 0.0), 0.0)]
            level = 0.0
        found.append((left + width, level))
    return found


def envelope_shape(value: Callable[[str], float]) -> tuple[Points, dict[str, tuple[float, float]]]:
    """Return the line of an envelope, and where each stage begins and ends, 0 to 1.

    Parameters
    ----------
    value : callable
        Returns a parameter of the envelope by its name.
    """
    times = {name: max(value(name), 0.0) for name in ("delay", "attack", "hold", "decay", "release")}
    times = {name: time if math.isfinite(time) else 0.0 for name, time in times.items()}
    sustain = value("sustain")
    total = sum(times.values()) or 1.0
    times["sustain"] = 0.25 * total
    total += times["sustain"]
    ends = {
        "delay": (0.0, 0.0, 0.0),
        "attack": (0.0, 1.0, value("bend.attack")),
        "hold": (1.0, 1.0, 0.0),
        "decay": (1.0, sustain, value("bend.decay")),
        "sustain": (sustain, sustain, 0.0),
        "release": (sustain, 0.0, value("bend.release")),
    }
    found: Points = []
    places: dict[str, tuple[float, float]] = {}
    at = 0.0
    for name in STAGES:
        begin, end, bend = ends[name]
        places[name] = at / total, (at + times[name]) / total
        for k in range(_LINE + 1):
            u = k / _LINE
            found.append(((at + times[name] * u) / total, begin + (end - begin) * bent(u, bend)))
        at += times[name]
    return found, places


def rows_of(modulator: dict[str, Any]) -> list[list[float]]:
    """Return the table of a curve, [time, value, bend], or of steps, [value, glide, probability, gate]."""
    kind = modulator.get("kind")
    usual = [0.0, 0.0, 0.0] if kind == "curve" else [0.0, 0.0, 1.0, 1.0]
    listed = modulator.get("points" if kind == "curve" else "steps")
    found = []
    for row in listed if isinstance(listed, list) else []:
        numbers = [_number(value) for value in (row if isinstance(row, list) else [row])][: len(usual)]
        found.append([*numbers, *usual[len(numbers) :]])
    return found


def _number(value: object) -> float:
    try:
        return to_number(value)
    except NumberError:
        return 0.0


def short_rows(kind: str, rows: Sequence[Sequence[float]]) -> list[Any]:
    """Return a table as short as a patch file takes it: without usual values at the end of rows.

    Examples
    --------
    >>> short_rows("steps", [[0.5, 0.0, 1.0, 1.0], [1.0, 0.2, 1.0, 1.0]])
    [0.5, [1.0, 0.2]]
    """
    usual = [None, None, 0.0] if kind == "curve" else [None, 0.0, 1.0, 1.0]
    found: list[Any] = []
    for row in rows:
        kept = list(row)
        while len(kept) > 1 and kept[-1] == usual[len(kept) - 1]:
            kept.pop()
        found.append(kept[0] if len(kept) == 1 else kept)
    return found


def typed_rows(kind: str, text: str) -> list[list[float]]:
    """Return the table that was typed: rows apart by semicolons, numbers by blanks.

    Raises
    ------
    ValueError
        If it cannot be played; the message is a clause.

    Examples
    --------
    >>> typed_rows("curve", "0 0; 0.5 1; 1 0")[1]
    [0.5, 1.0, 0.0]
    """
    least, usual = (2, [0.0, 0.0, 0.0]) if kind == "curve" else (1, [0.0, 0.0, 1.0, 1.0])
    found = []
    for part in (part.split() for part in text.split(";") if part.strip()):
        if not least <= len(part) <= len(usual):
            raise ValueError(f"a row has {least} to {len(usual)} numbers, and {' '.join(part)} has {len(part)}")
        try:
            numbers = [to_number(word) for word in part]
        except NumberError as error:
            raise ValueError(str(error)) from None
        if not all(math.isfinite(number) for number in numbers):
            raise ValueError("a table needs finite numbers")
        found.append([*numbers, *usual[len(numbers) :]])
    if not found:
        raise ValueError("it is empty")
    if kind == "curve" and any(a[0] > b[0] for a, b in itertools.pairwise(found)):
        raise ValueError("the times of a curve do not fall")
    return found


def rows_words(kind: str, rows: Sequence[Sequence[float]]) -> str:
    """Return a table as it is typed.

    Examples
    --------
    >>> rows_words("curve", [[0, 0, 0], [0.5, 1, 2]])
    '0 0; 0.5 1 2'
    """
    short = [row if isinstance(row, list) else [row] for row in short_rows(kind, rows)]
    return "; ".join(" ".join(f"{number:.4g}" for number in row) for row in short)
