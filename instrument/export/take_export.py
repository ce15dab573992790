"""A take rendered again into a file, and what is to be said about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import soundfile

from instrument.export.film import FilmOptions, check_film, is_film, write_film
from instrument.export.sound import (
    PICTURES,
    appearing,
    check_rate,
    give_name,
    refuse_what_is_there,
    sound_format,
    write_sound,
)
from instrument.export.still import EXPOSURE, STILL, save_still
from instrument.takes.replay import Comparison, length_at, open_take, render_take
from instrument.takes.sound_file import FloatFile
from instrument.takes.take_errors import TakeError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from instrument.beam.look import Look


def export_take(
    source: Path,
    output: Path,
    rate: float | None = None,
    block: int = 1024,
    size: int = 1080,
    tags: Mapping[str, str] | None = None,
    progress: Callable[[float], None] | None = None,
    exposure: float = EXPOSURE,
    look: Look | None = None,
    film: FilmOptions | None = None,
) -> list[str]:
    """Render a take into a file that is not there yet.

    Parameters
    ----------
    source : Path
        Folder of the take, or its `take.toml`.
    output : Path
        ``.wav`` for 32-bit float, which at the take's own rate is the very file that was recorded; ``.flac`` for 24
        bits; ``.png`` for a still of the end; ``.mkv`` or ``.mp4`` for a film.
    rate : float, optional
        Sample rate in hertz; the take's own by default.
    block : int
    size : int
        Height of a still in pixels.
    tags : mapping of str to str, optional
        In place of the take's own.
    progress : callable, optional
        Takes the share that is done.
    exposure : float
        Seconds at its end that a still shows.
    look : Look, optional
        How a still looks.
    film : FilmOptions, optional
        How a film is to be.

    Returns
    -------
    list of str
        Sentences: what was changed since, whether it is the same as the recording, what had to be clipped.

    Raises
    ------
    ValueError
        If the take is damaged, or the file is there already or cannot be written.
    """
    kind = output.suffix.lower()
    if kind in PICTURES and kind != STILL:
        raise TakeError(f"{output}: a loop shows one round of a patch, not a take; render the patch, or a {STILL}.")
    if kind != STILL and not is_film(output):
        sound_format(output)
    take = open_take(source)
    wanted = check_rate(output.with_suffix(".wav"), rate or take.facts.rate)
    refuse_what_is_there(output)
    if is_film(output):
        check_film(output, wanted, film or FilmOptions())
    compares = wanted == take.facts.rate
    comparison = Comparison(take)
    # A film tells itself how far it has come: the sound is the least of it.
    pieces = render_take(take, wanted, block, None if is_film(output) else progress)
    if compares:
        pieces = comparison.through(pieces)
    named = {**take.facts.tags, **(tags or {})}
    said = list(take.warnings)
    clipped = 0
    if kind == STILL:
        save_still(output, pieces, length_at(take, wanted), wanted, size, exposure, look)
    elif is_film(output):
        said += write_film(output, wanted, pieces, length_at(take, wanted), film, named, progress)
    elif kind == ".wav":
        _write_float(output, pieces, wanted, named)
    else:
        clipped = write_sound(output, check_rate(output, wanted), length_at(take, wanted), pieces, named)
    if clipped:
        said.append(f"{output}: {clipped} samples were clipped by less than a step of 24 bits.")
    seconds = length_at(take, wanted) / wanted
    result = comparison.sentence() if compares else f"rendered anew at {wanted} Hz"
    return [*said, f"{output}: {seconds:g} s, {result}"]


def _write_float(path: Path, pieces: Iterator[npt.NDArray[np.float32]], rate: int, tags: Mapping[str, str]) -> None:
    with appearing(path, soundfile.SoundFileError, take_name=give_name) as part:
        part.unlink(missing_ok=True)
        with FloatFile(part, rate, tags) as file:
            for piece in pieces:
                file.write(piece)
