"""Plan of a film: its sound, its frames, their look, and the segments in which they are drawn."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from instrument.beam.look import Look
from instrument.beam.pictures import FrameSource

SEGMENT_SECONDS = 2.0
"""Of film that are drawn at one go, which is also how far apart a player finds places to jump to."""

SHORTEST_SEGMENT = 0.5
"""Seconds of film below which starting another process is not worth it."""

_LOWEST_RATE = 8000
"""Below it a film is drawn at one go: a segment must be longer than the reconstruction looks ahead."""


@dataclass(frozen=True)
class FilmPlan:
    """Plan of a film: everything that decides its frames.

    Attributes
    ----------
    rate : int
        Sample rate of the sound in hertz.
    samples : int
    pace : Fraction
        Frames a second.
    width, height : int
        Of a frame in pixels, both even.
    look : Look
    """

    rate: int
    samples: int
    frame_rate: Fraction
    width: int
    height: int
    look: Look

    @property
    def frames(self) -> int:
        """Frames of the film; the last one may reach beyond the sound."""
        return math.ceil(self.samples * self.frame_rate / self.rate)

    def source(self, first: int = 0) -> FrameSource:
        """Return what draws the frames from one of them on."""
        return FrameSource(self.rate, self.frame_rate, self.width, self.height, self.look, first)

    def segments(self, processes: int) -> list[tuple[int, int]]:
        """Return first frames and frames behind the last ones of segments that `processes` share evenly.

        Examples
        --------
        >>> FilmPlan(48000, 480000, Fraction(60), 64, 64, Look()).segments(2)
        [(0, 100), (100, 200), (200, 300), (300, 400), (400, 500), (500, 600)]
        """
        seconds = self.samples / self.rate
        most = 1 if self.rate < _LOWEST_RATE else max(int(seconds / SHORTEST_SEGMENT), 1)
        count = math.ceil(seconds / SEGMENT_SECONDS / processes) * processes
        # At least two frames each: two that follow each other must not both be complete in themselves and numbered alike
        # (ITU-T H.264, 7.4.3, idr_pic_id).
        count = max(min(count, most, self.frames // 2), 1)
        edges = [round(k * self.frames / count) for k in range(count + 1)]
        return [(a, b) for a, b in itertools.pairwise(edges) if b > a]

    def to_json(self) -> dict[str, Any]:
        """Return the plan as plain values, for JSON."""
        return {
            "rate": self.rate,
            "samples": self.samples,
            "frame_rate": str(self.frame_rate),
            "width": self.width,
            "height": self.height,
            "look": self.look.as_settings(),
        }

    @classmethod
    def from_json(cls, words: dict[str, Any]) -> FilmPlan:
        """Return the plan that `to_json` gave."""
        look = Look().with_settings(words["look"])
        return cls(**{**words, "frame_rate": Fraction(words["frame_rate"]), "look": look})
