"""The record that describes one parameter, the same for layers, forms, sources, modulators, links and the patch.

The tables of forms, modulators and sources are made of these records, and `parameters` puts all of them together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

LAYERS = 8
"""Layers of a patch."""

AXES = ("x", "y", "z")

KNOBS = ("a", "b", "c", "d", "e", "f", "g", "h")
"""Names in a formula that stand for parameters of its owner, free for controls and links to move."""

Field = tuple[str, str] | tuple[str, str, tuple[int, ...]]
"""Field of a state record: name, dtype of 8 bytes (``f8``, ``i8`` or ``u8``) and shape, as NumPy's dtypes are written."""


@dataclass(frozen=True)
class Parameter:
    """One row of the table.

    Attributes
    ----------
    name : str
        Address below its owner, as in ``place.spin.y``.
    default : float
        Value where the patch says nothing.
    unit : str
        Unit in plain words.
    about : str
        What it does, for the schema, the docs and the window.
    choices : tuple of str
        Names for the whole numbers 0, 1, 2 ... where the parameter selects; such a parameter is never ramped.
    circular : bool
        Whether whole turns make no difference, so that a morph takes the short way round.
    formerly : tuple of str
        Names that it had in earlier patch files, below the same owner. A field of a table of the file is found by its last
        word, so that what stands before it is the same as now.
    """

    name: str
    default: float
    unit: str
    about: str
    choices: tuple[str, ...] = ()
    circular: bool = False
    formerly: tuple[str, ...] = ()


def per_axis(
    stem: str,
    default: float,
    unit: str,
    about: str,
    axes: tuple[str, ...] = AXES,
    *,
    circular: bool = False,
) -> tuple[Parameter, ...]:
    """Return a row for each axis, named ``stem.x`` and so on; ``{axis}`` in what it does becomes the axis."""
    return tuple(Parameter(f"{stem}.{axis}", default, unit, about.format(axis=axis), (), circular) for axis in axes)


def below(stem: str, row: Parameter, former_stems: tuple[str, ...] = ()) -> Parameter:
    """Return a row with its name below a stem: ``amount`` below ``form.twist`` is ``form.twist.amount``.

    Parameters
    ----------
    stem : str
    row : Parameter
    former_stems : tuple of str
        Stems that it stood below in earlier patch files.
    """
    name, *former = (f"{above}.{word}" for above in (stem, *former_stems) for word in (row.name, *row.formerly))
    return replace(row, name=name, formerly=tuple(former))
