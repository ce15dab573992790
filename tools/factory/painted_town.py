"""The picture of the factory set: the town under a moon that stands clear of it, cut like lino: what shines is dark on white."""

from __future__ import annotations

from PIL import Image, ImageDraw, ImageOps

SIZE = 320

ROOFS = (
    # Left side, width, height of the wall, height of the gable; in hundredths of the picture.
    (4, 15, 22, 12),
    (19, 12, 30, 9),
    (31, 14, 18, 13),
    (59, 13, 24, 10),
    (72, 13, 16, 12),
    (85, 11, 27, 8),
)


def town() -> Image.Image:
    """Return the picture [mode L]: roofs and a church with dark windows, a moon clear of them, light on the water."""
    picture = Image.new("L", (SIZE, SIZE), 0)
    pen = ImageDraw.Draw(picture)
    unit = SIZE / 100
    pen.ellipse([unit * v for v in (64, 3, 86, 25)], fill=255)
    quay = 76
    pen.polygon(
        [(unit * x, unit * (quay + y)) for x, y in ((45, 0), (45, -30), (52, -62), (59, -30), (59, 0))], fill=255
    )
    for left, width, wall, gable in ROOFS:
        corners = ((0, 0), (0, -wall), (width / 2, -wall - gable), (width, -wall), (width, 0))
        pen.polygon([(unit * (left + x), unit * (quay + y)) for x, y in corners], fill=255)
    for left, width, wall, _ in ROOFS:
        window = (left + 0.3 * width, quay - 0.8 * wall, left + 0.7 * width, quay - 0.4 * wall)
        pen.rectangle([unit * v for v in window], fill=0)
    for k, half in enumerate((13, 9, 5)):
        y = quay + 5 + 6 * k
        pen.ellipse([unit * v for v in (75 - half, y, 75 + half, y + 2.6)], fill=255)
    return ImageOps.invert(picture)
