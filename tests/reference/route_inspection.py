"""Route-inspection answers from outside the project, each with its source."""

from __future__ import annotations

from typing import NamedTuple


class Known(NamedTuple):
    """A graph with the least weight that a closed walk over all its edges must run again."""

    name: str
    edges: tuple[tuple[int, int], ...]
    weights: tuple[float, ...]
    repeated: float
    source: str


def _unit(name: str, edges: tuple[tuple[int, int], ...], repeated: float, source: str) -> Known:
    return Known(name, edges, (1.0,) * len(edges), repeated, source)


# Vertices: 0 the island Kneiphof, 1 the north bank, 2 the south bank, 3 the east.
KONIGSBERG = ((0, 1), (0, 1), (0, 2), (0, 2), (0, 3), (1, 3), (2, 3))
PETERSEN = (
    *((i, (i + 1) % 5) for i in range(5)),
    *((i, i + 5) for i in range(5)),
    *((i + 5, (i + 2) % 5 + 5) for i in range(5)),
)

# Streets of the worked example, lengths in metres.
POSTMAN = {
    "AB": 50, "AC": 50, "AD": 50, "BD": 50, "BE": 70, "BF": 50, "CD": 70, "CG": 70, "CH": 120, "DF": 60,
    "EF": 70, "FH": 60, "GH": 70,
}  # fmt: skip

KNOWN = (
    _unit(
        "the seven bridges of Koenigsberg",
        KONIGSBERG,
        2,
        "L. Euler, Solutio problematis ad geometriam situs pertinentis, Commentarii academiae scientiarum "
        "Petropolitanae 8 (1736, printed 1741), pages 128 to 140: four odd regions, so no closed walk without "
        "repetition; two bridges crossed again make all four even, and each repeats at least one",
    ),
    _unit(
        "Petersen graph",
        PETERSEN,
        5,
        "J. Petersen, Sur le theoreme de Tait, L'Intermediaire des Mathematiciens 5 (1898), pages 225 to 227: "
        "all ten vertices are odd and the graph has a perfect matching, which is five edges",
    ),
    Known(
        "a postman's 13 streets",
        tuple((ord(ab[0]) - 65, ord(ab[1]) - 65) for ab in POSTMAN),
        tuple(float(length) for length in POSTMAN.values()),
        160,
        "AQA Decision Mathematics 1 textbook, chapter 3, Route inspection problem, worked example (from memory; "
        "its own figures agree: 13 streets, 840 m in all, A and H odd, AB-BF-FH 160 m, postman's route 1,000 m)",
    ),
)

# Edges that a closed walk over a Platonic solid runs again, from the project's requirements; each is checked
# by hand: half the vertices where all are odd and a perfect matching exists, none where all are even.
SOLIDS = {"tetrahedron": 2, "cube": 4, "octahedron": 0, "dodecahedron": 10, "icosahedron": 6}
