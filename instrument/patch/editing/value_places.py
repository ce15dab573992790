"""Where in a patch file the value of each parameter stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.engine.parameters import index_of
from instrument.patch.editing.renumber import OWNERS

if TYPE_CHECKING:
    from instrument.patch.line_numbers import Path

_TABLES = {word: table for table, word in OWNERS.items()}


def place_of(address: str) -> Path:
    """Return the path in the file of a parameter's address; places in lists count from 0, forms go by their kind.

    Raises
    ------
    KeyError
        If there is no such address.

    Examples
    --------
    >>> place_of("layer.2.place.spin.y")
    ('layer', 1, 'place', 'spin', 'y')
    >>> place_of("mod.1.rate"), place_of("layer.1.source.x.3.phase")
    (('modulator', 0, 'rate'), ('layer', 0, 'source', 'x', 2, 'phase'))
    """
    index_of(address)
    match address.split("."):
        case ["layer", number, "source", axis, term, name]:
            return ("layer", int(number) - 1, "source", axis, int(term) - 1, name)
        case [owner, number, *rest] if owner in _TABLES:
            return (_TABLES[owner], int(number) - 1, *rest)
        case parts:
            return tuple(parts)
