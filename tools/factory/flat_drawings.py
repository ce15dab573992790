"""The flat drawings of the factory set, as SVG: heron, moth, anchor, gull, wave, knot, net, lantern."""

from __future__ import annotations

import re

HERON = """<?xml version="1.0" encoding="UTF-8"?>
<!-- A heron in the shallows, standing on one leg; made by tools/factory/make_drawings.py. -->
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


def mirrored(path: str) -> str:
    """Return a path's other half: every x, of absolute commands with spaces between numbers, the other way."""
    numbers = re.findall(r"[A-Z]|-?[\d.]+", path)
    turned, even = [], True
    for word in numbers:
        if word.isalpha():
            turned.append(word)
            even = True
            continue
        turned.append(f"{-float(word):g}" if even else word)
        even = not even
    return " ".join(turned)


def both(*paths: str) -> tuple[str, ...]:
    """Return paths and their other halves."""
    return tuple(each for path in paths for each in (path, mirrored(path)))


def svg(what: str, *paths: str) -> str:
    """Return an SVG file of strokes about the middle of a square of 220."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f"<!-- {what}; made by tools/factory/make_drawings.py. -->",
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-110 -110 220 220" fill="none" stroke="black">',
        *(f'  <path d="{path}"/>' for path in paths),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def moth() -> str:
    """Return a moth with spread wings, ribs and feelers."""
    return svg(
        "A moth with its wings spread",
        *both(
            "M 0 -26 C 20 -66 66 -92 104 -78 C 100 -44 74 -8 0 4",
            "M 0 4 C 40 6 70 26 66 58 C 62 82 40 84 30 68 C 18 52 6 32 0 18",
            "M 0 -14 C 30 -40 70 -66 104 -78",
            "M 0 8 C 24 22 40 40 52 62",
            "M 0 -34 C 6 -52 16 -66 30 -74",
        ),
        "M 0 -34 C -8 -26 -8 20 0 46 C 8 20 8 -26 0 -34",
    )


def anchor() -> str:
    """Return an anchor."""
    return svg(
        "An anchor",
        "M 0 -72 C 15 -72 15 -100 0 -100 C -15 -100 -15 -72 0 -72",
        "M 0 -72 L 0 92",
        "M -38 -50 L 38 -50",
        *both("M 0 92 C 42 88 70 62 76 18", "M 76 18 L 92 44", "M 76 18 L 54 40"),
    )


def gull() -> str:
    """Return a gull coming on with raised wings: one closed outline."""
    return svg(
        "A gull coming on",
        "M 0 30 C -16 26 -20 10 -18 -4 C -40 -34 -76 -38 -106 -10 C -84 -62 -40 -70 -12 -24 C -10 -36 10 -36 12 -24 "
        "C 40 -70 84 -62 106 -10 C 76 -38 40 -34 18 -4 C 20 10 16 26 0 30",
        "M -6 -16 L 0 -4 L 6 -16",
    )


def wave() -> str:
    """Return a breaker that curls over, and the swell before it."""
    return svg(
        "A breaker",
        "M -106 62 C -60 60 -64 -62 14 -66 C 64 -66 84 -22 58 0 C 38 14 16 -2 24 -20 C 30 -32 46 -30 46 -18",
        "M 14 -66 C -34 -34 -14 50 46 58 C 66 60 86 40 106 56",
        "M -106 62 L 106 56",
        "M -104 86 C -70 66 -48 106 -14 86 C 20 66 42 106 76 86",
    )


def knot() -> str:
    """Return a reef knot of doubled rope, loose."""
    half = (
        "M 106 -30 C 60 -30 40 -30 20 -14 C -10 14 -62 22 -62 0 C -62 -22 -10 -14 20 14 C 40 30 60 30 106 30",
        "M 106 -48 C 56 -48 30 -46 10 -28 C -20 0 -40 8 -40 0 C -40 -8 -20 0 10 28 C 30 46 56 48 106 48",
    )
    return svg("A reef knot, not yet drawn tight", *both(*half))


def net() -> str:
    """Return a net hung up to dry: meshes that sag, floats along the top."""
    across, down = 6, 4

    def place(i: float, j: float) -> str:
        sag = 26 * (1 - (i / across * 2 - 1) ** 2) * (0.4 + j / down)
        return f"{-100 + 200 * i / across:.1f} {-82 + 34 * j + sag:.1f}"

    paths = ["M " + " L ".join(place(i, 0) for i in range(across + 1))]
    for first in range(-down, across + 1):
        falling = [(first + k, k) for k in range(down + 1) if 0 <= first + k <= across]
        rising = [(i, down - j) for i, j in falling]
        paths += ["M " + " L ".join(place(*at) for at in way) for way in (falling, rising) if len(way) > 1]
    return svg("A net hung up to dry", *paths)


def lantern() -> str:
    """Return a storm lantern with a flame."""
    return svg(
        "A storm lantern",
        "M 0 -72 C 30 -72 30 -106 0 -106 C -30 -106 -30 -72 0 -72",
        "M 0 -72 L 22 -72 L 42 -46 L -42 -46 L -22 -72 Z",
        *both("M 32 -46 C 54 -10 54 20 36 50"),
        "M -46 50 L 46 50 L 54 86 L -54 86 Z",
        "M 0 50 L 0 34 C 26 30 20 4 0 -24 C -4 0 -26 20 0 34",
        *both("M 52 62 C 92 30 92 -30 42 -46"),
    )


FLAT = {
    "heron.svg": lambda: HERON,
    "moth.svg": moth,
    "anchor.svg": anchor,
    "gull.svg": gull,
    "wave.svg": wave,
    "knot.svg": knot,
    "net.svg": net,
    "lantern.svg": lantern,
}
"""Every flat drawing by its file."""
