"""What a program keeps of each control, modulator, link, step of its schedule and snapshot: the dtypes of its rows."""

from __future__ import annotations

import numpy as np

CONTROL = np.dtype(
    [
        ("lo", "f8"),
        ("hi", "f8"),
        ("step", "f8"),  # share of the range that one click of an endless knob moves
        ("acceleration", "f8"),  # how much further a click moves when clicks come fast; 0 for never
        ("argument", "f8"),  # of the action; nan where what is heard is the argument
        ("manner", "i4"),
        ("takeover", "i4"),
        ("action", "i4"),  # 0 moves the parameter
        ("group", "i4"),  # of radio buttons
        ("by_bend_range", "i4"),  # 1: the range is the channel's bend range, in semitones
        ("message", "i4"),
        ("channel", "i4"),  # 0..15, or -1 for any
        ("number", "i4"),  # controller or key number, or -1 for any
        ("param", "i4"),
        ("curve", "i4"),
        ("first_point", "i4"),
        ("points", "i4"),
    ],
    align=True,
)

LINK_ROW = np.dtype(
    [
        ("modulator", "i4"),
        ("param", "i4"),
        ("operation", "i4"),
        ("late", "i4"),  # 1 where it would close a circle and therefore acts SHORT samples late
    ],
    align=True,
)
STEP = np.dtype([("operation", "i4"), ("index", "i4")], align=True)

MODULATOR_ROW = np.dtype(
    [
        ("table", "i8"),  # pool offset of its breakpoints, steps or gesture
        ("count", "i4"),  # rows of the table
        ("kind", "i4"),
        ("code", "i4"),  # first instruction of its formula
        ("instructions", "i4"),
        ("gesture", "i4"),  # which of the instance's gestures it plays
    ],
    align=True,
)

SNAPSHOT = np.dtype([("first", "i4"), ("count", "i4")], align=True)

SNAPSHOT_VALUE = np.dtype([("value", "f8"), ("param", "i4")], align=True)
"""Of one snapshot in the order of parameters."""
