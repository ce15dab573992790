"""Speed of making a film, as a ratio to real time, in one process and in two side by side."""

from __future__ import annotations

import statistics
import tempfile
import time
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from instrument.beam.look import Look
from instrument.engine.engine import Engine
from instrument.export.film import FilmOptions, write_film
from instrument.patch.build import load_program
from instrument.patch.factory import factory_folder

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

SIZE = 1080
PACE = Fraction(60)
SECONDS = 10.0
ROUNDS = 3
FILMS = (("lighthouse", 48_000, "P31"), ("lighthouse", 192_000, "P31"), ("lighthouse", 48_000, "P7"))
"""Factory patch, sample rate in hertz, phosphor."""


def bench_film() -> None:
    """Print the ratio for each film, whole: start of the processes, drawing, H.264, FLAC, and the file."""
    print(f"{SIZE} x {SIZE} pixels, {PACE} frames a second, {SECONDS:g} s of film into .mkv, {ROUNDS} rounds\n")
    print("| patch | rate | phosphor | real time in 1 process (range) | in 2 (range) | 2 beside 1 | frames/s in 2 |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for patch, rate, phosphor in FILMS:
        sound = _sound(patch, rate)
        look = Look().with_setting("phosphor", phosphor)
        _seconds(sound[: rate // 2], rate, look, 2)
        took: dict[int, list[float]] = {1: [], 2: []}
        for _ in range(ROUNDS):
            for processes, times in took.items():
                times.append(SECONDS / _seconds(sound, rate, look, processes))
        one, two = took[1], took[2]
        apart = [b / a for a, b in zip(one, two, strict=True)]
        print(
            f"| {patch} | {rate} | {phosphor} | {_figures(one)} | {_figures(two)} | {_figures(apart)} "
            f"| {statistics.median(two) * PACE:.0f} |",
            flush=True,
        )


def _sound(patch: str, rate: int) -> npt.NDArray[np.float32]:
    engine = Engine(rate)
    engine.play(load_program(factory_folder() / f"{patch}.toml")[0])
    return engine.render(round(SECONDS * rate))


def _seconds(sound: npt.NDArray[np.float32], rate: int, look: Look, processes: int) -> float:
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        write_film(
            Path(folder) / "film.mkv",
            rate,
            [sound],
            len(sound),
            FilmOptions(SIZE, PACE, look, processes),
        )
        return time.perf_counter() - began


def _figures(found: list[float]) -> str:
    return f"{statistics.median(found):.2f} ({min(found):.2f} to {max(found):.2f})"


if __name__ == "__main__":
    bench_film()
