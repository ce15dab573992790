"""The container of a film: stretches of picture and the sound, side by side."""

from __future__ import annotations

import math
from contextlib import suppress
from typing import TYPE_CHECKING, Self, cast

import av

from instrument.export.film_sound import FilmSound
from instrument.export.film_stretch import CODEC, read_stretch, set_up
from instrument.export.sound import FILMS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from instrument.export.film_plan import FilmPlan
    from instrument.export.film_samples import Samples

LOSSLESS, LOSSY = FILMS

LOSSY_NOTE = "the sound of an .mp4 is AAC, which is lossy: it no longer draws cleanly on a real tube; .mkv keeps it"

_OPTIONS = {
    # The same film is then the same bytes: without times of day and random numbers.
    LOSSLESS: {"fflags": "+bitexact"},
    # What a player has to know first comes first.
    LOSSY: {"fflags": "+bitexact", "movflags": "+faststart"},
}
_AHEAD_SECONDS = 0.25


class FilmFile:
    """A film being put together.

    Parameters
    ----------
    path : Path
        ``.mkv`` or ``.mp4``.
    plan : FilmPlan
    sound : Samples
    tags : mapping of str to str

    Raises
    ------
    OSError
        If it cannot be written.
    """

    def __init__(self, path: Path, plan: FilmPlan, sound: Samples, tags: Mapping[str, str]) -> None:
        kind = path.suffix.lower()
        self._plan = plan
        self._sound = sound
        self._container = av.open(str(path), "w", options=_OPTIONS[kind])
        for name, text in tags.items():
            if text:
                self._container.metadata[name] = text
        if kind == LOSSY:
            self._container.metadata["comment"] = LOSSY_NOTE
        # The encoder is there for what it tells the container; the pictures come encoded.
        self._picture = self._container.add_stream(CODEC, rate=plan.pace)
        set_up(cast("av.VideoCodecContext", self._picture.codec_context), plan)
        self._picture.time_base = 1 / plan.pace
        self._heard = FilmSound(self._container, plan.rate, lossless=kind == LOSSLESS)
        self._container.start_encoding()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, failed: object, *_: object) -> None:
        if failed is None:
            self._container.close()
            return
        # What failed before is the error to be told; this file is thrown away.
        with suppress(OSError, ValueError):
            self._container.close()

    @property
    def clipped(self) -> int:
        """Samples beyond what 24 bits hold."""
        return self._heard.clipped

    def add(self, stretch: Path) -> None:
        """Append a stretch with its sound.

        Raises
        ------
        OSError
            If the disk takes no more.
        RuntimeError
            If it was not encoded as the container says.
        """
        described, packets = read_stretch(stretch)
        if described != self._picture.codec_context.extradata:
            raise RuntimeError(f"{stretch} was encoded in another way than its film")
        for frame, key, data in packets:
            self._add_sound(math.ceil((frame + 1) * self._plan.rate / self._plan.pace))
            packet = av.Packet(data)
            packet.stream = self._picture
            packet.time_base = 1 / self._plan.pace
            packet.pts = packet.dts = frame
            packet.duration = 1
            packet.is_keyframe = key
            self._container.mux(packet)

    def finish(self) -> None:
        """Append what is left of the sound."""
        self._add_sound(self._plan.samples)
        for packet in self._heard.finish():
            self._container.mux(packet)

    def _add_sound(self, needed: int) -> None:
        # In pieces that are worth a call, and a little ahead of the picture, as players like it.
        while self._heard.at < min(needed, self._plan.samples):
            last = min(self._heard.at + math.ceil(_AHEAD_SECONDS * self._plan.rate), self._plan.samples)
            for packet in self._heard.encode(self._sound.read(self._heard.at, last)):
                self._container.mux(packet)
