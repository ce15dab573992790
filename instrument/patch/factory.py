"""The factory set: paths of the patches, drawings and performances that come with Beamhand."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parents[1]


def factory_folder() -> Path:
    """Find the factory set, in an installed package as well as in a clone.

    Returns
    -------
    Path
        An existing folder. In a wheel it is inside the package; in a clone it is `patches`
        beside the package, so that a patch edited there is the one that plays.

    Raises
    ------
    FileNotFoundError
        Neither folder is there, which means that the installation is damaged.
    """
    places = (_PACKAGE / "factory", _PACKAGE.parent / "patches")
    for place in places:
        if place.is_dir():
            return place
    raise FileNotFoundError(
        f"The factory set is in neither {places[0]} nor {places[1]}. Install Beamhand again, or name a patch file."
    )


def factory_set(name: str = "festival") -> Path:
    """Return a set list of the factory set.

    Parameters
    ----------
    name : str
        ``festival``, which plays where no patch is named, or ``calibration``.

    Raises
    ------
    FileNotFoundError
        It is not there, which means that the installation is damaged.
    """
    path = factory_folder() / "sets" / f"{name}.toml"
    if not path.is_file():
        raise FileNotFoundError(
            f"The factory set list {path} is missing. Install Beamhand again, or name a patch file."
        )
    return path


def by_name(path: Path) -> Path:
    """Return the factory patch or set list of a plain name where there is no such file, and otherwise what was given.

    Whoever has installed a wheel has no folder of patches to point into.

    Examples
    --------
    >>> by_name(Path("knot")) == factory_folder() / "knot.toml"
    True
    >>> by_name(Path("calibration")) == factory_set("calibration")
    True
    >>> str(by_name(Path("seaweed")))
    'seaweed'
    """
    if path.suffix or len(path.parts) != 1 or path.exists():
        return path
    folder = factory_folder()
    # The last patch of the set has the name of the set itself; what is named is the patch.
    places = (folder / f"{path.name}.toml", folder / "sets" / f"{path.name}.toml")
    return next((place for place in places if place.is_file()), path)


def performance_of(patch: Path) -> Path | None:
    """Return the performance that belongs to a patch: the MIDI file of its name beside it, or None.

    Examples
    --------
    >>> performance_of(factory_folder() / "circle.toml").name
    'circle.mid'
    """
    path = patch.with_suffix(".mid")
    return path if path.is_file() else None
