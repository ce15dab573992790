"""Compile the kernels of the screen, or load them: `python -m instrument.beam.compile_ahead [PHOSPHOR ...]`."""

from __future__ import annotations

import sys

import numpy as np

from instrument.beam.look import Look
from instrument.beam.phosphor import TYPES, phosphor

_SIZE = 16


def warm(look: Look | None = None) -> None:
    """Run every kernel that a look needs once, so that none is compiled when a frame is due.

    Parameters
    ----------
    look : Look, optional
        Those with as many exponentials and colours need the same kernels (`kernels_of`).
    """
    look = look or Look()
    light, path = look.light(_SIZE, _SIZE), look.reconstruction(48000.0)
    light.advance(path.process(np.zeros((100, 2), np.float32)), 192000.0)
    light.rest(1.0)
    light.advance(np.zeros((2, 2), np.float32), 192000.0)
    light.develop(light.blank())


def kernels_of(look: Look) -> tuple[int, int]:
    """Return what decides which kernels a look needs: its exponentials and colours."""
    colours, exponentials = look.phosphor.seen(look.eye).mix.shape
    return exponentials, colours


def main(names: list[str]) -> None:
    """Compile for phosphors by name, for all by default."""
    for name in names or list(TYPES):
        warm(Look(phosphor=phosphor(name)))


if __name__ == "__main__":
    main(sys.argv[1:])
