"""The film of the factory set: a jellyfish that swims on the spot, four seconds that close on themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import av
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

if TYPE_CHECKING:
    from pathlib import Path

Floats = npt.NDArray[np.float64]

SIZE = 240
RATE = 25
FRAMES = 4 * RATE
FINER = 4
"""Times as large as a frame is painted at, so that its edges are soft."""

ARMS = (-0.42, -0.15, 0.15, 0.42)
"""Where the arms hang, of the bell's half width."""


def bell(phase: float) -> Floats:
    """Return the bell's outline [shape=(n, 2)], in halves of the frame, y upwards; a stroke begins at phase 0, in turns."""
    # Closed fast, opened slowly.
    closed = 0.5 - 0.5 * np.cos(2 * np.pi * (phase - 0.12 * np.sin(2 * np.pi * phase)))
    width, height = 0.62 - 0.2 * closed, 0.46 + 0.12 * closed
    angle = np.linspace(0, np.pi, 60)
    # The rim hangs inwards as the bell closes.
    tuck = 1 - 0.12 * closed * np.abs(np.cos(angle)) ** 6
    dome = np.stack([width * np.cos(angle) * tuck, height * np.sin(angle) ** 0.85], axis=1)
    x = np.linspace(-1, 1, 49)[1:-1]
    hem = np.stack([x * width * (1 - 0.12 * closed), 0.1 * (1 - x**2) + 0.035 * np.cos(5 * np.pi * x) - 0.03], axis=1)
    return np.concatenate([dome, hem])


def arm(phase: float, place: float) -> tuple[Floats, Floats]:
    """Return an arm's middle line [shape=(n, 2)] and its half width [shape=(n,)]; waves run down it."""
    closed = 0.5 - 0.5 * np.cos(2 * np.pi * phase)
    along = np.linspace(0, 1, 60)
    root = place * (1.25 - 0.4 * closed)
    sway = 0.11 * along * np.sin(2 * np.pi * (1.1 * along - phase + 0.35 * place))
    x = root * (1 - 0.25 * along) + sway
    y = 0.08 - (0.86 + 0.1 * closed - 0.2 * abs(place)) * along
    return np.stack([x, y], axis=1), 0.034 * (1 - along) ** 0.7 + 0.012


def frame(number: int) -> Image.Image:
    """Return one frame in grey; they are counted from 0."""
    # Two strokes in the film: it sinks between them.
    phase = 2 * number / FRAMES
    lift = 0.06 * np.sin(2 * np.pi * (phase - 0.35))
    picture = Image.new("L", (SIZE * FINER, SIZE * FINER), 255)
    draw = ImageDraw.Draw(picture)

    def put(points: Floats, grey: int) -> None:
        x = (points[:, 0] * 0.92 + 1) / 2 * SIZE * FINER
        y = (1 - (points[:, 1] + 0.2 + lift)) / 2 * SIZE * FINER
        draw.polygon(list(zip(x.tolist(), y.tolist(), strict=True)), fill=grey)

    for place in ARMS:
        line, half = arm(phase, place)
        along = np.gradient(line, axis=0)
        normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.linalg.norm(along, axis=1)[:, None]
        put(np.concatenate([line + normal * half[:, None], (line - normal * half[:, None])[::-1]]), 20)
    put(bell(phase), 20)
    # The four rings that every such jellyfish wears, seen from the side.
    for place in (-0.24, 0.0, 0.24):
        angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        put(np.stack([place + 0.075 * np.cos(angle), 0.27 + 0.05 * np.sin(angle) - 0.12 * place**2], axis=1), 235)
    return picture.resize((SIZE, SIZE), Image.Resampling.BOX)


def write(path: Path) -> None:
    """Write the film, H.264 in grey."""
    with av.open(str(path), "w", options={"movflags": "+faststart"}) as file:
        stream = file.add_stream("libx264", rate=RATE, options={"crf": "20", "preset": "veryslow", "threads": "1"})
        stream.width = stream.height = SIZE
        stream.pix_fmt = "yuv420p"
        for number in range(FRAMES):
            shown = av.VideoFrame.from_ndarray(np.asarray(frame(number)), "gray").reformat(format="yuv420p")
            file.mux(stream.encode(shown))
        file.mux(stream.encode())
