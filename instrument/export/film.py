"""Films: what the screen shows while a sound plays, and the sound itself, in one file."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from instrument.beam.look import Look, compile_for
from instrument.export.film_file import LOSSLESS, LOSSY, LOSSY_NOTE, FilmFile, aac_rate
from instrument.export.film_plan import FilmPlan
from instrument.export.film_segment import DISK_FULL_ERRORS, RawSamples, write_samples
from instrument.export.film_workers import WorkerError, WorkerPool
from instrument.export.sound import FILMS, ExportError, publish_new, refuse_existing
from instrument.takes.sound_file import flac_holds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    import numpy as np
    import numpy.typing as npt

FRAMES_PER_SECOND = Fraction(60)

SIZES = (16, 4096)
"""Least and most pixels of a film's height; H.264 has no level for larger ones (ITU-T H.264, table A-1, from memory)."""

FRAME_RATES = (1, 240)
"""Fewest and most frames a second."""

_COLOUR_TELEVISION = {
    name: Fraction(frames * 1000, 1001)
    for name, frames in (
        ("23.976", 24), ("23.98", 24), ("29.97", 30), ("47.952", 48), ("47.95", 48), ("59.94", 60), ("119.88", 120),
    )
}  # fmt: skip
"""Frame rates of colour television, which these numbers abbreviate: whole ones over 1.001 (common practice, no source)."""

_LOWEST_RATE = 1000
_SOUND_SHARE = 0.05
_MOST_BYTES = 2 << 30
_BYTES_A_PIXEL = 32
_BYTES_A_LANE = 4


@dataclass(frozen=True)
class FilmOptions:
    """Options of a film.

    Attributes
    ----------
    size : int
        Height in pixels; width for a square glass.
    pace : Fraction
        Frames a second.
    look : Look
    processes : int or None
        That draw side by side; None for as many as there are processors and memory for.
    """

    size: int = 1080
    frame_rate: Fraction = FRAMES_PER_SECOND
    look: Look = field(default_factory=Look)
    processes: int | None = None


def parse_frame_rate(text: str) -> Fraction:
    """Return frames a second as they are typed.

    Raises
    ------
    ExportError
        If it is no number, or too small or large.

    Examples
    --------
    >>> [str(parse_frame_rate(text)) for text in ("25", "12.5", "29.97", "24000/1001")]
    ['25', '25/2', '30000/1001', '24000/1001']
    """
    plain = text.strip()
    frame_rate = _COLOUR_TELEVISION.get(plain)
    if frame_rate is None and re.fullmatch(r"\d{1,9}(\.\d{1,6}|/0*[1-9]\d{0,8})?", plain):
        frame_rate = Fraction(plain)
    if frame_rate is None or not FRAME_RATES[0] <= frame_rate <= FRAME_RATES[1]:
        raise ExportError(
            f"--fps {text}: a film has {FRAME_RATES[0]} to {FRAME_RATES[1]} frames a second; "
            "write a number such as 60, 29.97 or 30000/1001"
        )
    return frame_rate


def is_film(path: Path) -> bool:
    """Return whether a file's ending is that of a film."""
    return path.suffix.lower() in FILMS


def check_film(path: Path, rate: float, options: FilmOptions) -> int:
    """Return the whole sample rate of a film that can be made.

    Raises
    ------
    ExportError
        If it cannot be made, or there is something of its name already.
    """
    whole = round(rate)
    if whole != rate or whole < _LOWEST_RATE:
        raise ExportError(
            f"{path}: {rate:g} Hz is not the sample rate of a film; use a whole number from {_LOWEST_RATE}, such as 48000"
        )
    if path.suffix.lower() == LOSSLESS and not flac_holds(whole):
        raise ExportError(f"{path}: FLAC cannot hold {whole} Hz; use {round(whole, -1)}, or another rate")
    if not SIZES[0] <= options.size <= SIZES[1]:
        raise ExportError(
            f"{path}: a film {options.size} pixels high is not possible; use --size {SIZES[0]} to {SIZES[1]}"
        )
    refuse_existing(path)
    return whole


def write_film(
    path: Path,
    rate: float,
    pieces: Iterable[npt.NDArray[np.float32]],
    samples: int,
    options: FilmOptions | None = None,
    tags: Mapping[str, str] | None = None,
    progress: Callable[[float], None] | None = None,
) -> list[str]:
    """Make a film of a sound; the file appears only when it is complete.

    Parameters
    ----------
    path : Path
        ``.mkv`` with FLAC of 24 bits, or ``.mp4`` with AAC; must not be there yet.
    rate : float
        Sample rate in hertz.
    pieces : iterable of np.ndarray [shape=(n, 2), dtype=float32]
        The sound, `samples` together.
    samples : int
    options : FilmOptions, optional
    tags : mapping of str to str, optional
        Some of `sound_file.TAGS`.
    progress : callable, optional
        Takes the share that is done.

    Returns
    -------
    list of str
        Sentences: what had to be clipped or made even, and what AAC does.

    Raises
    ------
    ExportError
        If it cannot be made; nothing is left behind then.

    Notes
    -----
    Frame k is shown from k / pace to (k + 1) / pace seconds, and has the light up to the end of that time,
    to the nearest sample.
    """
    options = options or FilmOptions()
    tell = progress or (lambda _: None)
    whole = check_film(path, rate, options)
    if samples < 1:
        raise ExportError(f"{path}: there is no sound to make a film of; use --seconds 1 or more")
    plan = _plan(whole, samples, options)
    processes = options.processes or _processes(plan)
    with _errors_in_one_sentence(path), _scratch_folder(path) as folder:
        # Kernels that are not in the cache yet would be compiled by every process at once.
        compile_for(plan.look)
        sound, film = folder / "sound", folder / f"film{path.suffix.lower()}"
        with WorkerPool(plan, plan.segments(processes), processes) as crew:
            found = write_samples(sound, _told(pieces, samples, tell))
            if found != samples:
                raise ExportError(f"{path}: the sound has {found} samples and not {samples}; render it again")
            with RawSamples(sound) as heard, FilmFile(film, plan, heard, tags or {}) as file:
                for segment in crew.draw(
                    sound, folder, lambda done: tell(_SOUND_SHARE + (1 - _SOUND_SHARE) * done / plan.frames)
                ):
                    file.add(segment)
                file.finish()
        publish_new(film, path)
    return list(_remarks(path, plan, options, file.clipped))


def _plan(rate: int, samples: int, options: FilmOptions) -> FilmPlan:
    # With colours at half the resolution, as every player takes them, both sides must be even.
    width, height = options.look.glass.size_in(16 * options.size, options.size)
    return FilmPlan(rate, samples, options.frame_rate, width + width % 2, height + height % 2, options.look)


def _processes(plan: FilmPlan) -> int:
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    lanes: int = plan.look.phosphor.seen(plan.look.eye).mix.shape[1]
    each = plan.width * plan.height * (_BYTES_A_PIXEL + _BYTES_A_LANE * lanes)
    return max(min(cores, _MOST_BYTES // each), 1)


def _told(
    pieces: Iterable[npt.NDArray[np.float32]], samples: int, tell: Callable[[float], None]
) -> Iterator[npt.NDArray[np.float32]]:
    done = 0
    for piece in pieces:
        yield piece
        done += len(piece)
        tell(_SOUND_SHARE * done / samples)


def _remarks(path: Path, plan: FilmPlan, options: FilmOptions, clipped: int) -> Iterator[str]:
    if clipped:
        yield f"{path}: {clipped} samples at or beyond full scale were clipped to the most that 24 bits hold."
    width, height = options.look.glass.size_in(16 * options.size, options.size)
    if (width, height) != (plan.width, plan.height):
        yield (
            f"{path}: {plan.width} x {plan.height} pixels, because H.264 takes even numbers only; "
            f"the picture itself is {width} x {height}."
        )
    if path.suffix.lower() == LOSSY:
        other = aac_rate(plan.rate)
        anew = "" if other == plan.rate else f", here at {other} Hz, since AAC knows no {plan.rate} Hz"
        yield f"{path}: {LOSSY_NOTE}{anew}."


@contextmanager
def _scratch_folder(path: Path) -> Iterator[Path]:
    # Beside the film, so that it has room where the film has, and so that the film only needs another name.
    folder = Path(tempfile.mkdtemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent))
    try:
        yield folder
    finally:
        with suppress(OSError):
            shutil.rmtree(folder)


@contextmanager
def _errors_in_one_sentence(path: Path) -> Iterator[None]:
    try:
        yield
    except FileExistsError:
        raise ExportError(f"{path}: there is something of this name already; give another name") from None
    except OSError as error:
        if error.errno in DISK_FULL_ERRORS:
            raise ExportError(
                f"{path}: the disk is full; nothing was left on it, make room or name another folder"
            ) from error
        raise ExportError(f"{path}: cannot be written ({error}); name a folder with room for it") from error
    except WorkerError as error:
        raise ExportError(f"{path}: {error}; nothing was left behind, try again") from error
