"""The picture of the factory set: the town against a large moon, cut like lino: what shines is dark on white."""

from __future__ import annotations

from PIL import Image, ImageDraw, ImageOps

SIZE = 320

ROOFS = (
    # Left side, width, height of the wall, height of the gable; in hundredths of the picture.
    (2, 15, 20, 11),
    (17, 12, 27, 9),
    (29, 17, 16, 13),
    (60, 13, 22, 10),
    (73, 16, 15, 12),
    (89, 9, 24, 8),
)


def town() -> Image.Image:
    """Return the picture [mode L]: a bright moon, dark roofs and a church before it, light on the water."""
    picture = Image.new("L", (SIZE, SIZE), 0)
    pen = ImageDraw.Draw(picture)
    unit = SIZE / 100
    pen.ellipse([unit * v for v in (27, 6, 77, 56)], fill=255)
    for x, y, r in ((44, 22, 5), (60, 18, 3.5), (62, 34, 6)):
        pen.ellipse([unit * v for v in (x - r, y - r, x + r, y + r)], fill=190)
    quay = 70
    pen.polygon([(unit * x, unit * y) for x, y in ((46, 70), (46, 44), (50, 24), (54, 44), (54, 70))], fill=0)
    for left, width, wall, gable in ROOFS:
        corners = ((0, 0), (0, -wall), (width / 2, -wall - gable), (width, -wall), (width, 0))
        pen.polygon([(unit * (left + x), unit * (quay + y)) for x, y in corners], fill=0)
        pen.rectangle(
            [unit * v for v in (left + 0.3 * width, quay - 0.75 * wall, left + 0.62 * width, quay - 0.35 * wall)],
            fill=255,
        )
    for k, half in enumerate((20, 15, 11, 7, 4)):
        y = quay + 4 + 5 * k
        pen.ellipse([unit * v for v in (52 - half, y, 52 + half, y + 2.6)], fill=255)
    return ImageOps.invert(picture)
