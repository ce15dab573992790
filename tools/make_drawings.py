"""Draw the drawings of the factory set: `python tools/make_drawings.py [FOLDER]`."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).resolve().parents[1] / "patches"

HERON = """<?xml version="1.0" encoding="UTF-8"?>
<!-- A heron in the shallows, standing on one leg; made by tools/make_drawings.py. -->
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 300" fill="none" stroke="black">
  <g id="head">
    <path d="M118 62 Q112 44 94 42 Q80 42 74 54 L22 66 L76 66 Q84 74 96 72"/>
    <path d="M74 54 L76 66"/>
    <circle cx="86" cy="54" r="3"/>
    <path d="M110 48 Q130 44 150 58"/>
  </g>
  <g id="body">
    <path d="M118 62 Q126 84 104 104 Q82 124 100 142 Q132 132 160 158 Q176 176 186 206 Q158 202 138 200 Q104 196 92 168 \
Q80 142 86 122 Q94 100 104 86 Q108 78 96 72"/>
    <path d="M112 152 Q142 158 158 184 Q134 184 120 172 Q110 162 112 152"/>
  </g>
  <g id="legs">
    <path d="M122 198 L118 246 L120 282 L104 286 M120 282 L138 286"/>
    <path d="M134 200 L146 224 L122 238"/>
  </g>
  <g id="water">
    <path d="M60 284 q10 -6 20 0 t20 0 M142 284 q10 -6 20 0 t20 0"/>
  </g>
</svg>
"""

STATIONS = np.linspace(0.0, 1.0, 9)
"""Places along the boat where its frames stand, from stern to bow."""


def boat() -> str:
    """Return a fishing boat as an OBJ of lines alone: frames, planks, wheelhouse, mast and boom.

    Returns
    -------
    str
        x runs to the bow, y upwards, z to starboard.
    """
    points: list[tuple[float, float, float]] = []
    lines: list[list[int]] = []

    def line(*corners: tuple[float, float, float]) -> None:
        # A corner where another one is already is the same: lines that meet stay joined.
        numbers = []
        for corner in corners:
            place = (round(corner[0], 4), round(corner[1], 4), round(corner[2], 4))
            if place not in points:
                points.append(place)
            numbers.append(points.index(place) + 1)
        lines.append(numbers)

    frames = [_frame(float(along)) for along in STATIONS]
    for frame in frames:
        line(*frame)
    for plank in zip(*frames, strict=True):
        line(*plank)
    house = [(-0.55, -0.22), (-0.15, -0.22), (-0.15, 0.22), (-0.55, 0.22)]
    for low, high in ((0.18, 0.52),):
        foot = [(x, low, z) for x, z in house]
        roof = [(x * 1.02, high, z * 1.05) for x, z in house]
        line(*foot, foot[0])
        line(*roof, roof[0])
        for a, b in zip(foot, roof, strict=True):
            line(a, b)
    line(
        (-0.15, 0.3, -0.16),
        (-0.15, 0.46, -0.16),
        (-0.15, 0.46, 0.16),
        (-0.15, 0.3, 0.16),
        (-0.15, 0.3, -0.16),
    )
    bow, masthead = frames[-1][0], (0.15, 1.05, 0.0)
    line((0.15, 0.1, 0.0), masthead)
    line(masthead, bow)
    line((0.15, 0.35, 0.0), (0.75, 0.75, 0.0), masthead)
    line(masthead, (-0.35, 0.52, 0.0))
    text = ["# A fishing boat of lines alone; made by tools/make_drawings.py."]
    text += [f"v {x:.4f} {y:.4f} {z:.4f}" for x, y, z in points]
    text += ["l " + " ".join(map(str, numbers)) for numbers in lines]
    return "\n".join(text) + "\n"


def _frame(along: float) -> list[tuple[float, float, float]]:
    # Gunwale to gunwale round the keel; narrow at the bow, a little at the stern, with a sheer that rises to the bow.
    x = -0.95 + 2.0 * along
    half = 0.36 * np.sqrt(max(0.0, 1.0 - along**3)) * (0.75 + 0.5 * along * (1.0 - along))
    rail = 0.12 + 0.3 * (along - 0.35) ** 2
    keel = -0.32 + 0.18 * along**4
    angles = np.linspace(0.0, np.pi, 7)
    return [
        (x, float(rail + (keel - rail) * np.sin(a) ** 0.7), float(half * np.cos(a))) for a in angles.tolist()
    ]


def main() -> None:
    """Write both drawings into a folder."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    for name, text in (("heron.svg", HERON), ("boat.obj", boat())):
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
        print(folder / name)


if __name__ == "__main__":
    main()
