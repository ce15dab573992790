"""Cost of a frame of the screen, beside drawing libraries that keep no light, and whether the sound notices."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pygame

from instrument.beam.look import Look
from instrument.beam.reconstruction import Reconstruction
from tools.trials.stand_ins import jack_server

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

SIZE = 1080
FRAMES_PER_SECOND = 60
OVERSAMPLING = 4
FRAMES = 150
SETTLE = 30
"""Frames before the ones that are counted, until light and caches are as they stay."""

FIGURES = {
    "slow: circle, 100 Hz": (100.0, 100.0, 0.25),
    "slow: full screen of lines, 97.3 and 60.1 Hz": (97.3, 60.1, 0.0),
    "fast: circle, 8 kHz": (8000.0, 8000.0, 0.25),
}
"""Frequencies of both channels, and turns between them."""


def figure(name: str, rate: float, seconds: float) -> npt.NDArray[np.float32]:
    """Return a figure nearly as large as the screen."""
    left, right, apart = FIGURES[name]
    t = np.arange(round(seconds * rate)) / rate
    x, y = np.sin(2 * np.pi * (left * t + apart)), np.sin(2 * np.pi * right * t)
    return np.column_stack((0.95 * x, 0.95 * y)).astype(np.float32)


def time_frames(
    draw: Callable[[npt.NDArray[np.float32]], object], samples: npt.NDArray[np.float32], rate: float
) -> tuple[list[float], list[float]]:
    """Return milliseconds of each frame by the clock, and of processor time of this thread."""
    count = round(rate / FRAMES_PER_SECOND)
    clock, processor = [], []
    for k in range(FRAMES + SETTLE):
        first = k * count % (len(samples) - count)
        frame = samples[first : first + count]
        began, used = time.perf_counter(), time.thread_time()
        draw(frame)
        processor.append(1000 * (time.thread_time() - used))
        clock.append(1000 * (time.perf_counter() - began))
    return clock[SETTLE:], processor[SETTLE:]


class Ours:
    """The screen as the window uses it, without the blit."""

    def __init__(self, rate: float, phosphor: str = "P31") -> None:
        look = Look().with_setting("phosphor", phosphor).with_setting("oversampling", OVERSAMPLING)
        self.light, self.path = look.light(SIZE, SIZE), look.reconstruction(rate)
        self.pixels = self.light.blank()
        self._rate = rate * OVERSAMPLING

    def __call__(self, samples: npt.NDArray[np.float32]) -> None:
        """Draw one frame."""
        self.light.advance(self.path.process(samples), self._rate)
        self.light.develop(self.pixels)


def libraries(rate: float) -> dict[str, Callable[[npt.NDArray[np.float32]], object]]:
    """Return the same path drawn by libraries, on black, as anti-aliased lines without energy, fading or tone."""
    surface = pygame.Surface((SIZE, SIZE))
    picture = np.zeros((SIZE, SIZE, 3), np.uint8)
    paths = [Reconstruction(rate, OVERSAMPLING) for _ in range(2)]

    def by_pygame(samples: npt.NDArray[np.float32]) -> None:
        surface.fill((0, 0, 0))
        points = (paths[0].process(samples) + 1.06) * (SIZE / 2.12)
        pygame.draw.aalines(surface, (0, 255, 90), False, points.tolist())

    found: dict[str, Callable[[npt.NDArray[np.float32]], object]] = {"pygame aalines": by_pygame}
    try:
        import cv2  # noqa: PLC0415 - an extra that may not be there
    except ImportError:
        return found
    # One core for everybody, as ours has.
    cv2.setNumThreads(1)

    def by_opencv(samples: npt.NDArray[np.float32]) -> None:
        picture[:] = 0
        points = (paths[1].process(samples) + 1.06) * (SIZE / 2.12 * 16)
        cv2.polylines(picture, [points.astype(np.int32)], False, (90, 255, 0), 1, cv2.LINE_AA, 4)

    found["OpenCV LINE_AA"] = by_opencv
    return found


def bench_frames() -> None:
    """Milliseconds a frame, ours and the libraries' taking turns."""
    print("| figure | rate | drawn by | ms a frame, median | 95 % | processor time, median |")
    print("| --- | --- | --- | --- | --- | --- |")
    for rate in (48000.0, 192000.0):
        for name in FIGURES:
            samples = figure(name, rate, (FRAMES + SETTLE + 1) / FRAMES_PER_SECOND)
            drawn: dict[str, Callable[[npt.NDArray[np.float32]], object]] = {"ours": Ours(rate)}
            drawn.update(libraries(rate))
            if rate == 192000.0:
                drawn["ours, P7 of 8 exponentials and 2 colours"] = Ours(rate, "P7")
            for who, draw in drawn.items():
                clock, processor = time_frames(draw, samples, rate)
                print(
                    f"| {name} | {rate:g} x {OVERSAMPLING} | {who} | {statistics.median(clock):.2f} "
                    f"| {np.percentile(clock, 95):.2f} | {statistics.median(processor):.2f} |",
                    flush=True,
                )
            if len(drawn) - (rate == 192000.0) < 3:
                print("OpenCV is not installed here: pip install beamhand[bench]")


def bench_darkness() -> None:
    """Draw the same figure before and after a minute of darkness, and measure darkness itself."""
    rate, name = 192000.0, "slow: circle, 100 Hz"
    samples = figure(name, rate, 4.0)
    for phosphor in ("P31", "P39"):
        ours = Ours(rate, phosphor)
        fresh = statistics.median(time_frames(ours, samples, rate)[1])
        began = time.thread_time()
        for _ in range(60 * FRAMES_PER_SECOND):
            ours.light.rest(1 / FRAMES_PER_SECOND)
            ours.light.develop(ours.pixels)
        dark = (time.thread_time() - began) / 60 / FRAMES_PER_SECOND * 1000
        after = statistics.median(time_frames(ours, samples, rate)[1])
        print(
            f"{phosphor}: {fresh:.2f} ms before, {after:.2f} ms after a minute of darkness "
            f"({after / fresh:.2f} of it); a dark frame {dark:.3f} ms"
        )


def bench_lock() -> None:
    """Share of its time that another Python thread loses while frames are drawn."""
    rate = 192000.0
    ours, samples = Ours(rate), figure("fast: circle, 8 kHz", rate, 1.0)
    time_frames(ours, samples, rate)
    stop = threading.Event()
    waits: list[float] = []

    def watch() -> None:
        while not stop.is_set():
            before = time.perf_counter()
            time.sleep(0.001)
            waits.append(1000 * (time.perf_counter() - before) - 1)

    watcher = threading.Thread(target=watch)
    watcher.start()
    time_frames(ours, samples, rate)
    stop.set()
    watcher.join()
    print(
        f"a Python thread beside it that sleeps 1 ms wakes {np.percentile(waits, 50):.2f} ms late (median; 99 % "
        f"{np.percentile(waits, 99):.2f} ms): the lock is free while frames of some ms are drawn"
    )


def bench_underflows(seconds: float) -> None:
    """Underflows of the audio callback with and without a process that draws sixty frames a second."""
    print("| rate | beside it | callbacks | underflows of the instrument | of an empty callback | p99.9 us |")
    print("| --- | --- | --- | --- | --- | --- |")
    for rate in (48000, 192000):
        with jack_server(rate, 64):
            for scene in ("nothing", "the screen at 60 frames a second"):
                drawing = None
                if scene != "nothing":
                    drawing = subprocess.Popen([sys.executable, __file__, str(rate)])
                    time.sleep(5)
                try:
                    counts: dict[str, Any] = {kind: run_callback(kind, seconds) for kind in ("empty", "compiled")}
                finally:
                    if drawing is not None:
                        drawing.kill()
                        drawing.wait()
                ours = counts["compiled"]
                print(
                    f"| {rate} | {scene} | {ours['callbacks']} | {ours['underflows']} "
                    f"| {counts['empty']['underflows']} | {ours['p999_us']:g} |",
                    flush=True,
                )


def run_callback(kind: str, seconds: float) -> dict[str, Any]:
    """Return the figures of one run of `bench_callback.py` in a process of its own."""
    command = [sys.executable, str(Path(__file__).with_name("callback.py")), kind, str(seconds), "0"]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    if run.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} failed: {run.stderr.strip()[-800:]}")
    found: dict[str, Any] = json.loads(run.stdout.strip().splitlines()[-1])
    return found


def draw_for_ever(rate: float) -> None:
    """Draw sixty frames a second until ended, the fast figure, as the window's process does."""
    ours, samples = Ours(rate), figure("fast: circle, 8 kHz", rate, 1.0)
    count, k = round(rate / FRAMES_PER_SECOND), 0
    due = time.monotonic()
    while True:
        first = k * count % (len(samples) - count)
        ours(samples[first : first + count])
        k += 1
        due = max(due + 1 / FRAMES_PER_SECOND, time.monotonic() - 0.1)
        time.sleep(max(due - time.monotonic(), 0.0))


def bench_beam(seconds: float) -> None:
    """Run every part."""
    print(f"{SIZE} x {SIZE} pixels, {FRAMES_PER_SECOND} frames a second, one core; load {os.getloadavg()[0]:.1f}\n")
    bench_frames()
    print()
    bench_darkness()
    bench_lock()
    print()
    bench_underflows(seconds)


if __name__ == "__main__":
    draw_for_ever(float(sys.argv[1]))
