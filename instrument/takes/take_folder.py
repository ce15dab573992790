"""A take on disk: a folder with the sound, the performance, the programs, and `take.toml`, which says what is what."""

from __future__ import annotations

import hashlib
import platform
import re
import sys
import tomllib
from pathlib import Path  # noqa: TC003 - pydantic reads the annotations
from typing import TYPE_CHECKING, Annotated

import llvmlite
import llvmlite.binding
import numba
import numpy as np
import tomlkit
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from instrument import __version__
from instrument.common.safe_files import write_atomically
from instrument.engine.compiling.compiled import source_key

if TYPE_CHECKING:
    from datetime import datetime


class TakeError(ValueError):
    """A take cannot be recorded, read or rendered; `str` is the sentence to show."""


METADATA = "take.toml"
SOUND = "sound.wav"
INPUT = "input.wav"
"""Live input, where there was one."""

PERFORMANCE = "performance.mid"
EARLIER_EVENTS = "before.mid"
PROGRAMS = "programs"
PLAYED_PROGRAM = "as-played.npz"
EVENT_LINES = "events.jsonl"
"""Events while the recording runs; it becomes `PERFORMANCE` when it ends."""

SCHEMA = 1
LARGEST_METADATA = 16 << 20
_HIGHEST_RATE = 768_000

Count = Annotated[int, Field(ge=0, le=1 << 62)]


class ProgramRow(BaseModel):
    """One program of a take.

    Attributes
    ----------
    number : int
        By which the performance calls it.
    patch : str
        Its patch file, relative to the take's folder.
    """

    number: Count
    patch: str


class TakeMetadata(BaseModel):
    """Content of `take.toml`.

    Attributes
    ----------
    complete : bool
        Whether the recording was ended; False while it runs and after a crash.
    mended : bool
        Whether it was ended later, by `instrument.takes.crash_repair`.
    begins_at : int
        Sample of the show, counted from its start, on which the take begins.
    started : str
        Date and time with the offset of the place, ISO 8601.
    exact : bool
        Whether everything is known that the sound follows from.
    doubts : list of str
        Why it is not.
    lost : list of (int, int)
        First frame and number of frames that were not recorded, and are silent.
    input_at : int
        Sample of the show on which the recorded input begins, where there is one.
    sound_sha256 : str
        Of the samples of the sound, little-endian float32, left and right in turn.
    files : dict of str to str
        SHA-256 of every other file, by its place in the folder.
    """

    model_config = ConfigDict(populate_by_name=True)

    version: Annotated[int, Field(alias="schema", ge=1)] = SCHEMA
    complete: bool = False
    mended: bool = False
    title: str = ""
    artist: str = ""
    date: str = ""
    started: str = ""
    rate: Annotated[int, Field(ge=1, le=_HIGHEST_RATE)]
    block: Count = 0
    frames: Count = 0
    begins_at: Count = 0
    exact: bool = True
    doubts: list[str] = []
    underflows: Count = 0
    late_events: Count = 0
    lost_frames: Count = 0
    lost: list[tuple[Count, Count]] = []
    lost_events: Count = 0
    longest_lag: float = 0.0
    input_at: Count = 0
    sound_sha256: str = ""
    versions: dict[str, str] = {}
    program: list[ProgramRow] = []
    files: dict[str, str] = {}

    @property
    def tags(self) -> dict[str, str]:
        """Tags for files of sound."""
        return {"title": self.title, "artist": self.artist, "date": self.date}


def versions() -> dict[str, str]:
    """Return what the bits of a rendering may depend on."""
    return {
        "beamhand": __version__,
        "engine": source_key(),
        "python": platform.python_version(),
        "numpy": np.__version__,
        "numba": numba.__version__,
        "llvmlite": llvmlite.__version__,
        "machine": platform.machine(),
        "processor": llvmlite.binding.get_host_cpu_name(),
        "system": sys.platform,
    }


def new_folder(parent: Path, when: datetime, patch: str) -> Path:
    """Make a folder named by date, time and patch; never one that is there already.

    Raises
    ------
    OSError
        If it cannot be made.
    """
    parent.mkdir(parents=True, exist_ok=True)
    stem = f"{when:%Y-%m-%d_%H-%M-%S}_{slug(patch)}"
    number = 1
    while True:
        folder = parent / (stem if number == 1 else f"{stem}_{number}")
        try:
            folder.mkdir()
        except FileExistsError:
            number += 1
        else:
            return folder


def slug(name: str) -> str:
    """Return a name that every file system takes.

    Examples
    --------
    >>> slug("Knot, turning / slowly"), slug("../..")
    ('knot-turning-slowly', 'take')
    """
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40] or "take"


def is_take(path: Path) -> bool:
    """Return whether a path is the folder of a take, or its `take.toml`."""
    return (path / METADATA).is_file() or (path.name == METADATA and path.is_file())


def write_metadata(folder: Path, metadata: TakeMetadata, *, wait: bool = True) -> None:
    """Write `take.toml`, whole or not at all.

    Parameters
    ----------
    folder : Path
    metadata : TakeMetadata
    wait : bool
        Whether to wait until it is on the disk itself.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    text = tomlkit.dumps(metadata.model_dump(by_alias=True))
    if wait:
        write_atomically(folder / METADATA, text.encode())
        return
    part = folder / f".{METADATA}.part"
    part.write_bytes(text.encode())
    part.replace(folder / METADATA)


def read_metadata(folder: Path) -> TakeMetadata:
    """Read `take.toml`.

    Raises
    ------
    TakeError
        If it is no take of this version.
    """
    path = folder / METADATA
    try:
        if path.stat().st_size > LARGEST_METADATA:
            raise TakeError(f"{path}: the file is larger than {LARGEST_METADATA >> 20} MiB; no take's is.")
        metadata = TakeMetadata.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise TakeError(f"{path}: there is no such file; name the folder of a take.") from None
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(map(str, first["loc"]))
        raise TakeError(f"{path}: {field}: {first['msg']}; restore a copy.") from None
    except (OSError, ValueError, RecursionError) as error:
        raise TakeError(f"{path}: this is not TOML that can be read ({error}); restore a copy.") from None
    if metadata.version > SCHEMA:
        raise TakeError(f"{path}: schema is {metadata.version}; this Beamhand reads up to {SCHEMA}.")
    numbers = [row.number for row in metadata.program]
    if len(set(numbers)) != len(numbers):
        raise TakeError(f"{path}: program: a number is given twice; restore a copy.")
    return metadata


def inside(folder: Path, name: str) -> Path:
    """Return the path of a file of a take.

    Raises
    ------
    TakeError
        If the name leads out of the folder.
    """
    path = folder / name
    try:
        fits = path.resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError):
        fits = False
    if not fits or "\0" in name:
        raise TakeError(f"{folder / METADATA}: {name[:60]!r} leads out of the take's folder; nothing was read.")
    return path


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def digests(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file of a take but the sound, whose samples have one of their own."""
    left_out = {METADATA, SOUND, EVENT_LINES}
    return {
        path.relative_to(folder).as_posix(): digest_of(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.startswith(".") and path.name not in left_out
    }
