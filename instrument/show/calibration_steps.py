"""The guide's steps: which test picture, what to look at on the real display, and what changes it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

CAUTIONS = (
    "Before you begin, once:\n"
    "- Ears: the test pictures are loud, and one is a piercing 2 kHz. Volume down, no headphones.\n"
    "- Loudspeakers: disconnect the PA. What is moved off centre is direct voltage, which overheats coils.\n"
    "- Screens: turn the intensity down. A standing spot burns in; the dot here never rests, and you should not let it.\n"
    "- High voltage: old tubes keep it long after they are off. Leave sets closed and use the inputs they have.\n"
    "Local codes and licensed people go before anything said here."
)


@dataclass(frozen=True)
class Step:
    """One step.

    Attributes
    ----------
    patch : str
        Stem of the test picture's file.
    title, look : str
        `look` is one sentence on what the display should show, and what changes it if it does not.
    adjusts : tuple of str
        Names of the quantities that this picture is for.
    values : mapping of str to float
        Parameters of the patch that are other than in its file.
    """

    patch: str
    title: str
    look: str
    adjusts: tuple[str, ...] = ()
    values: Mapping[str, float] = field(default_factory=dict)


FAST = 2000.0
"""Hertz of the circle that shows delays: 10 us lean it by 7.2 degrees. Where an ellipse cuts its own axis, over how far it
reaches, is the sine of the angle (phase by Lissajous figures, common practice, no source)."""

STEPS = (
    Step(
        "ident",
        "Channel ident",
        "The arrow marked L points right and the one marked R points up: if they have changed places, swap; if an arrow "
        "points the wrong way and its letter is mirrored, turn that channel over.",
        ("swap", "invert.x", "invert.y"),
    ),
    Step(
        "dot",
        "Centre dot",
        "The dot circles round the middle of the screen: move it there (first by the display's own position knobs).",
        ("offset.x", "offset.y"),
    ),
    Step(
        "circle",
        "Circle",
        "The circle is as wide as it is high and no part is cut off: lower the gain of the direction that is too long.",
        ("gain.x", "gain.y"),
    ),
    Step(
        "circle",
        "Fast circle",
        "The circle, now at 2 kHz, does not lean: if it is slanted, hold back one channel and then the other until it is "
        "round (an ellipse that stays upright is the display's bandwidth).",
        ("delay.x", "delay.y"),
        {"layer.1.pen.frequency": FAST},
    ),
    Step(
        "steps",
        "Diagonal steps",
        "The steps rise to the right below their diagonal, treads level and risers upright, corners sharp: corners cut off "
        "on one side are a delay left.",
        ("swap", "invert.x", "invert.y", "delay.x", "delay.y"),
    ),
    Step(
        "square",
        "Square",
        "The sides are straight: if they sag or drift, the sound interface or the display blocks direct voltage (choose a "
        "DC-coupled input or output), which no value here mends.",
    ),
    Step(
        "hatch",
        "Cross-hatch",
        "All squares are as large and all nine lines are on the screen each way: make the picture smaller if some are not.",
        ("gain.x", "gain.y", "offset.x", "offset.y"),
    ),
    Step(
        "ladder",
        "Level ladder",
        "Each square is half as large as the one around it, and the outermost, 0.9 of full scale, is whole on the screen.",
        ("gain.x", "gain.y"),
    ),
)
