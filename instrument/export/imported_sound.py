"""Sound files from elsewhere, as two channels that can be looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from instrument.beam.look import look_of
from instrument.beam.pictures import Photograph
from instrument.export.film import FilmOptions, is_film, parse_frame_rate, write_film
from instrument.export.sound import ExportError
from instrument.export.still import APPROACH, EXPOSURE, STILL, expose_end, save_picture

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

    import numpy.typing as npt

    from instrument.beam.look import Look

_PIECE = 1 << 16

_ENDINGS = frozenset(name.lower() for name in soundfile.available_formats()) | {
    "aif",
    "aifc",
    "oga",
    "opus",
    "snd",
}
"""Endings of the formats that libsndfile reads; it knows some by another name than their files have."""


@dataclass(frozen=True)
class ImportedSound:
    """A sound file that can be opened.

    Attributes
    ----------
    path : Path
    rate : int
        Sample rate in hertz.
    frames : int
    channels : int
    """

    path: Path
    rate: int
    frames: int
    channels: int

    @property
    def remark(self) -> str:
        """Sentence on channels that are left out or doubled; empty for two channels."""
        if self.channels == 1:
            return "one channel moves the beam both across and upwards, along a diagonal"
        if self.channels > 2:
            return f"the first two of {self.channels} channels are shown"
        return ""

    def pieces(self, first: int, count: int) -> Iterator[npt.NDArray[np.float32]]:
        """Yield frames as float32 pieces [shape=(n, 2)].

        Raises
        ------
        ExportError
            If the file is cut short or cannot be decoded.
        """
        try:
            with soundfile.SoundFile(self.path) as file:
                file.seek(first)
                while count > 0:
                    piece = file.read(min(count, _PIECE), dtype="float32", always_2d=True)
                    if not len(piece):
                        raise ExportError(f"{self.path}: ends before its header says; save it again")
                    count -= len(piece)
                    yield np.ascontiguousarray(piece[:, [0, 0]] if self.channels == 1 else piece[:, :2])
        except (OSError, soundfile.SoundFileError) as error:
            raise ExportError(f"{self.path}: cannot be read as sound ({error})") from error


def is_sound(path: Path) -> bool:
    """Return whether a file's ending is one of a sound file.

    Examples
    --------
    >>> from pathlib import Path
    >>> is_sound(Path("tide.WAV")), is_sound(Path("tide.toml"))
    (True, False)
    """
    ending = path.suffix.lower().removeprefix(".")
    return ending in _ENDINGS


def open_sound(path: Path) -> ImportedSound:
    """Return what a sound file holds.

    Raises
    ------
    ExportError
        If there is no such file, it is none that libsndfile reads, or it is empty.
    """
    if not path.is_file():
        raise ExportError(f"{path}: there is no such file")
    try:
        info = soundfile.info(path)
    except (OSError, soundfile.SoundFileError) as error:
        raise ExportError(f"{path}: cannot be read as sound ({error}); save it as .wav or .flac") from error
    if info.frames <= 0:
        raise ExportError(f"{path}: holds no sound")
    return ImportedSound(path, int(info.samplerate), int(info.frames), int(info.channels))


def export_still_of(
    sound: ImportedSound, path: Path, frames: int, size: int, exposure: float = EXPOSURE, look: Look | None = None
) -> None:
    """Write a picture of the first `frames` of a sound file, at their end, as `export_still` does.

    Raises
    ------
    ExportError
        If one of the files cannot be read or written.
    """
    frames = min(frames, sound.frames)
    camera = Photograph(sound.rate, size, exposure, look)
    first = max(frames - round((exposure + camera.run_in + APPROACH) * sound.rate), 0)
    expose_end(camera, sound.pieces(first, frames - first), frames - first, sound.rate, exposure)
    save_picture(camera.develop(), path)


def still_of_file(path: Path, output: Path, seconds: float | None, size: int, exposure: float, looks: list[str]) -> str:
    """Write a picture of a sound file as the command asks for it; return what to say about it.

    Parameters
    ----------
    path, output : Path
    seconds : float or None
        Where the picture is taken, the end of the file by default.
    size : int
    exposure : float
    looks : list of str
        As `instrument.beam.look.look_of` takes them.

    Raises
    ------
    ValueError
        If one of the files or a setting is refused.
    """
    if output.suffix.lower() != STILL:
        raise ExportError(f"{output}: a sound file becomes a picture or a film; name a {STILL}, .mkv or .mp4")
    look = look_of(looks)
    sound = open_sound(path)
    frames = sound.frames if seconds is None else min(round(seconds * sound.rate), sound.frames)
    export_still_of(sound, output, max(frames, 1), size, exposure, look)
    said = f"{output}: {frames / sound.rate:g} s at {sound.rate} Hz"
    return f"{said}; {sound.remark}" if sound.remark else said


def render_sound(
    source: Path,
    output: Path,
    seconds: float | None,
    size: int,
    exposure: float,
    looks: Sequence[str],
    fps: str,
    tags: Mapping[str, str],
    progress: Callable[[float], None] | None = None,
) -> list[str]:
    """Render a sound file as the command asks for it; return what to say about it.

    Parameters
    ----------
    source, output : Path
    seconds : float or None
        Length of a film, or where a still is taken; the end of the file by default.
    size : int
    exposure : float
    looks : sequence of str
        As `instrument.beam.look.look_of` takes them.
    fps : str
        As `instrument.export.film.parse_frame_rate` takes it.
    tags : mapping of str to str
    progress : callable, optional
        Takes the share that is done.

    Raises
    ------
    ValueError
        If one of the files or a setting is refused.
    """
    if not is_film(output):
        return [still_of_file(source, output, seconds, size, exposure, list(looks))]
    options = FilmOptions(size, parse_frame_rate(fps), look_of(list(looks)))
    sound = open_sound(source)
    frames = sound.frames if seconds is None else min(round(seconds * sound.rate), sound.frames)
    said = write_film(output, sound.rate, sound.pieces(0, frames), frames, options, tags, progress)
    said += [f"{source}: {sound.remark}"] if sound.remark else []
    return [*said, f"{output}: {frames / sound.rate:g} s at {sound.rate} Hz"]
