"""Pieces that are played on the patches of the factory set: short ones of our own, as notes, knobs and buttons by beat."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Score:
    """One performance.

    Attributes
    ----------
    bpm : float
        Beats in a minute.
    notes : str
        Notes one after another as ``name:beats`` or ``name:beats:velocity``, held until the next; ``-:beats`` rests.
    knobs : tuple of (controller, first beat, last beat, from, to)
        A knob turned evenly, 0 to 127; where both beats are the same it is only set.
    waves : tuple of (controller, first beat, last beat, from, to, times)
        A knob turned there and back so many times, smoothly.
    buttons : tuple of (beat, controller)
        Pressed and let go.
    bends : tuple of (first beat, last beat, height, waves)
        The wheel, -1 to 1; it ends in the middle.
    pressures : tuple of (first beat, last beat, height)
        After-touch of the channel, 0 to 1, there and back.
    """

    bpm: float
    notes: str
    knobs: tuple[tuple[int, float, float, int, int], ...] = ()
    waves: tuple[tuple[int, float, float, int, int, float], ...] = ()
    buttons: tuple[tuple[float, int], ...] = ()
    bends: tuple[tuple[float, float, float, float], ...] = ()
    pressures: tuple[tuple[float, float, float], ...] = ()


SNAPSHOT_2, SNAPSHOT_3, SPLIT = 103, 104, 80

SCORES: dict[str, Score] = {
    "circle": Score(
        96,
        "A2:2:80 E3:1 D3:1 C3:2:90 G2:1 A2:1:100 E3:1 G3:1 A3:2:110",
        knobs=(
            (1, 1, 4, 0, 90),
            (2, 0, 0, 40, 40),
            (2, 6, 6, 60, 60),
            (2, 9, 9, 80, 80),
            (2, 11, 11, 40, 40),
        ),
        waves=((6, 3, 11, 0, 80, 1),),
    ),
    "ebb": Score(
        92,
        "A2:2:90 A2:1 C3:1 D3:2:96 E3:1 D3:1 C3:1:84 B2:1 A2:2:100",
        buttons=((4, SNAPSHOT_2), (8, SNAPSHOT_3)),
        waves=((4, 0, 12, 0, 14, 1),),
        bends=((10.5, 12, 0.5, 2),),
    ),
    "rose": Score(
        104,
        "A2:1:110 E3:1:80 D3:1:90 C3:1:70 G2:1:110 D3:1:80 E3:1:90 G3:1:70 A2:1:110 C3:1:90 E3:1:100 A3:2:120",
        waves=((1, 0, 12, 26, 110, 1), (6, 6, 13, 0, 70, 1)),
        knobs=((3, 6, 6, 40, 40), (3, 8, 8, 60, 60), (3, 10, 10, 0, 0)),
    ),
    "star": Score(
        108,
        "A2:1:60 A2:0.5:110 C3:0.5:70 E3:1:100 D3:1:60 G2:1:110 B2:0.5:70 D3:0.5:90 E3:1:110 C3:1:60 "
        "A2:1:110 E3:1:80 A3:2:120",
        knobs=((1, 0, 6, 40, 100),),
        waves=((2, 4, 8, 24, 90, 1), (3, 8, 12, 0, 60, 1)),
    ),
    "knot": Score(
        84,
        "A2:2:90 C3:1:80 E3:1:96 D3:2:100 A2:1:84 G2:1:90 A2:3:110",
        waves=((2, 0, 11, 26, 80, 1), (4, 4, 10, 64, 110, 1)),
        knobs=((5, 6, 9, 50, 100),),
    ),
    "buoy": Score(
        88,
        "A2:2:70 E2:2:90 G2:2:80 D3:1:100 C3:1:70 A2:4:90",
        waves=((1, 2, 8, 42, 90, 1), (8, 6, 11, 127, 30, 1)),
        bends=((10, 12, -0.5, 1),),
    ),
    "compass": Score(
        112,
        "A2:1:80 E3:1:80 A2:1:100 D3:1:70 G2:1:90 D3:1:80 E3:1:110 B2:1:70 A2:1:90 C3:1:80 E3:2:110 A2:2:90",
        waves=((1, 0, 8, 64, 100, 2), (8, 6, 12, 0, 90, 1)),
        knobs=((2, 3, 4, 0, 32), (2, 7, 8, 32, 64), (2, 11, 12, 64, 127)),
        buttons=((2, 81), (6, 82), (10, 80)),
    ),
    "crate": Score(
        96,
        "A2:1:40 A2:1:110 E3:1:60 C3:1:120 D3:1:50 A2:1:110 G2:1:80 E3:1:120 A2:1:40 C3:1:90 A2:2:120",
        waves=((2, 4, 12, 45, 90, 2), (6, 6, 12, 0, 50, 1)),
        knobs=((3, 8, 10, 0, 60),),
    ),
    "anchor": Score(
        88,
        "A1:2:90 E2:1:80 D2:1:70 C2:2:96 G2:1:80 B1:1:70 A1:4:100",
        waves=((1, 2, 8, 0, 70, 1), (3, 6, 11, 64, 90, 1)),
        buttons=((10, 102),),
    ),
    "moth": Score(
        100,
        "A2:1:60 C3:0.5:100 B2:0.5:70 E3:1:110 D3:1:60 C3:0.5:90 D3:0.5:70 A2:1:100 G2:1:80 E2:1:110 G2:1:60 A2:3:90",
        waves=((2, 2, 8, 69, 100, 1), (6, 5, 11, 72, 110, 1)),
        knobs=((5, 6, 8, 21, 70), (5, 9, 11, 70, 20)),
    ),
    "gulls": Score(
        92,
        "A2:1:90 E3:1:110 D3:2:70 C3:1:100 G2:1:80 A2:2:110 E3:1:90 G3:1:100 A3:2:80",
        waves=((2, 4, 11, 120, 90, 1),),
        knobs=((1, 0, 4, 47, 58),),
        buttons=((4, SNAPSHOT_3), (8, 102)),
        pressures=((1, 3, 0.8), (9, 11, 1.0)),
    ),
    "pool": Score(
        88,
        "A3:2:80 E3:1:90 G3:1:70 D3:2:100 C4:1:80 B3:1:70 A3:3:100",
        waves=((1, 1, 9, 10, 110, 1), (5, 2, 10, 44, 90, 1)),
        knobs=((2, 4, 6, 32, 70), (6, 7, 10, 64, 100)),
    ),
    "headland": Score(
        80,
        "A3:2:70 E4:1:90 D4:1:80 G3:2:100 C4:1:70 E4:1:90 A3:3:110",
        waves=((2, 0, 8, 30, 110, 1), (6, 4, 11, 60, 120, 1)),
        knobs=((3, 2, 6, 42, 85), (8, 6, 9, 48, 80)),
    ),
    "keeper": Score(
        76,
        "A3:3:80 G3:1:70 F3:2:90 G3:2:100 A3:4:110",
        waves=((1, 0, 10, 64, 100, 2), (6, 4, 10, 0, 60, 1)),
        knobs=((5, 2, 4, 70, 100),),
    ),
    "net": Score(
        100,
        "A1:1:110 A1:1:60 E2:1:100 C2:1:70 D2:1:110 A1:1:60 G2:1:100 B1:1:70 A1:1:110 E2:1:80 A1:2:110",
        waves=((1, 0, 8, 30, 100, 2), (2, 6, 12, 65, 90, 1), (5, 4, 12, 64, 110, 1)),
    ),
    "flight": Score(
        84,
        "A2:2:70 E3:1:80 D3:1:90 C3:2:110 B2:1:80 G2:1:70 A2:2:100 E3:2:110",
        waves=((5, 2, 10, 64, 110, 1), (2, 4, 10, 30, 80, 1), (6, 6, 12, 115, 80, 1)),
    ),
    "wader": Score(
        92,
        "A2:2:80 C3:1:90 E3:1:80 D3:2:100 G2:1:70 B2:1:90 E3:2:110 A2:2:90",
        waves=((5, 2, 8, 64, 96, 1), (2, 4, 10, 20, 60, 1), (4, 6, 12, 0, 40, 1)),
    ),
    "drift": Score(
        84,
        "A2:2:70 C3:2:80 B2:1:90 A2:1:80 G2:2:100 C3:2:90 A2:2:80",
        waves=((1, 2, 7, 64, 96, 1), (2, 4, 10, 20, 60, 1), (6, 6, 12, 110, 80, 1)),
    ),
    "fish": Score(
        96,
        "A1:1:80 C2:1:100 E2:1:90 D2:1:110 C2:1:80 G2:1:100 A1:2:110 E2:1:90 D2:1:80 A1:2:110",
        waves=((1, 4, 10, 0, 120, 1), (4, 2, 10, 38, 56, 1), (5, 0, 12, 48, 90, 1)),
    ),
    "crane": Score(
        104,
        "A1:1:110 A1:0.5:60 A1:0.5:80 E2:1:100 D2:1:60 G2:1:110 G2:0.5:60 B1:0.5:80 D2:1:100 E2:1:60 "
        "A1:1:110 C2:1:80 A1:2:110",
        waves=((6, 4, 12, 51, 100, 1), (1, 8, 11, 0, 90, 1)),
        knobs=((2, 6, 8, 50, 80),),
    ),
    "house": Score(
        84,
        "A1:2:70 E2:1:90 C2:1:80 D2:2:110 G2:1:70 B1:1:90 A1:3:100",
        waves=((1, 2, 9, 10, 90, 1), (4, 4, 10, 0, 30, 1)),
    ),
    "town": Score(
        76,
        "A1:2:80 E2:1:90 G2:1:80 D2:2:100 C2:1:80 B1:1:70 A1:3:100",
        waves=((1, 3, 8, 64, 95, 1), (4, 0, 10, 60, 100, 1)),
    ),
    "sign": Score(
        108,
        "A1:1:100 C2:1:60 D2:1:110 A1:1:70 E2:1:100 D2:1:60 G2:1:110 A1:1:80 C2:1:100 E2:1:70 A1:2:110",
        waves=((1, 0, 8, 64, 100, 2), (6, 8, 11, 0, 70, 1)),
        buttons=((6, SNAPSHOT_2), (10, 102)),
    ),
    "quay": Score(
        84,
        "A2:2:90 E2:1:80 G2:1:96 D2:2:100 C3:1:84 B2:1:90 A2:3:110",
        waves=((1, 0, 10, 11, 40, 1), (3, 4, 9, 94, 120, 1)),
        knobs=((5, 5, 7, 0, 127),),
        buttons=((4, SPLIT), (8, SPLIT)),
    ),
    "lighthouse": Score(
        88,
        "A2:1:90 C3:1:80 E3:2:100 D3:1:70 A2:1:90 G2:2:110 A2:1:80 E3:1:90 A2:2:110",
        waves=((1, 0, 12, 82, 104, 2), (2, 3, 9, 51, 110, 2), (8, 4, 11, 69, 90, 1)),
    ),
    "bell": Score(
        80,
        "A1:2:120 E2:1:80 A1:1:100 G2:2:120 D2:1:70 C2:1:90 A1:3:127",
        waves=((1, 0, 8, 25, 60, 1),),
        knobs=((2, 0, 0, 52, 52), (2, 4, 4, 75, 75), (2, 7, 7, 52, 52)),
    ),
    "foghorn": Score(
        72,
        "A1:3:100 E2:2:110 G2:2:90 A1:3:120",
        waves=((1, 0, 8, 27, 64, 1), (6, 2, 9, 64, 110, 1), (4, 4, 9, 42, 80, 1)),
    ),
    "storm": Score(
        116,
        "A1:0.5:110 A1:0.5:60 E2:1:100 D2:0.5:70 C2:0.5:110 G2:1:80 A1:0.5:120 B1:0.5:60 D2:1:110 E2:1:70 "
        "A1:0.5:120 C2:0.5:80 E2:1:110 D2:1:90 A1:3:127",
        waves=((1, 0, 12, 10, 30, 2), (5, 2, 13, 64, 84, 1), (3, 2, 10, 18, 34, 1)),
    ),
    "visitor": Score(
        92,
        "A2:1:90 E3:1:70 C3:1:100 D3:1:80 G2:1:110 B2:1:70 E3:1:90 D3:1:80 A2:1:100 C3:1:70 A2:2:110",
        waves=((2, 0, 8, 76, 110, 1), (3, 4, 11, 0, 100, 1)),
    ),
    "festival": Score(
        92,
        "A1:1:90 E2:1:70 A2:1:110 G2:1:80 D2:1:90 A2:1:70 C2:1:110 E2:1:80 A1:1:100 C2:1:70 E2:1:110 A2:2:127",
        knobs=((1, 3, 6, 0, 127), (1, 8, 9, 127, 0)),
        waves=((2, 0, 12, 78, 95, 1), (5, 9, 13, 0, 50, 1)),
        buttons=((10, SNAPSHOT_3),),
    ),
}
"""Every performance by its patch."""
