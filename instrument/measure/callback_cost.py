"""Cost of the engine's callback on this machine: the reference patch, beside the same chain in plain C."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from instrument.engine.engine import Engine
from instrument.engine.memory.layout import HISTOGRAM
from instrument.engine.memory.views import counters
from instrument.engine.program import Program, new_program

POINTS = 4096
SPINS = (0.31, 0.47, 0.73)
CAMERA = 3.0
LEVEL = 0.15
ROUNDS = 15
BLOCKS = 1500

SOURCE = Path(__file__).with_name("chain.c")
FLAGS = ("-O3", "-march=native", "-shared", "-fPIC")

LAYER = np.dtype(
    [
        ("phase", "f8"),
        ("step", "f8"),
        ("spin", "f8", (3,)),
        ("angle", "f8", (3,)),
        ("size", "f8"),
        ("scale", "f8", (3,)),
        ("move", "f8", (3,)),
        ("camera", "f8"),
        ("level", "f8"),
    ],
    align=True,
)

_PAIRS = ("invert", "gain", "offset", "delay")
OUTPUT = np.dtype(
    [
        ("level", "f8"),
        ("swap", "f8"),
        *[(name, "f8", (2,)) for name in _PAIRS],
        *[(name, "f8") for name in ("ac", "corner", "knee", "limit", "rate")],
        ("dc_in", "f8", (2,)),
        ("dc_out", "f8", (2,)),
        ("line", "f8", (2, 4096)),
        ("at", "i8"),
    ],
    align=True,
)


@dataclass(frozen=True)
class Cost:
    """Figures of one bench run; times are medians over rounds measured in turns with the other side.

    Attributes
    ----------
    rate : float, in hertz
    block : int, in frames
    layers : int
    ns_per_sample_per_layer : float
        Everything the callback does, output section and guard included, shared among the layers.
    c_ns_per_sample_per_layer : float or None
        The same chain in plain C; None without a compiler.
    ratio_to_c : float or None
        C time / ours.
    ratio_range : tuple of float or None
        Smallest and largest of the ratios of single rounds.
    p50_us, p999_us : float
        Percentiles of the time of one callback.
    period_us : float
        Time that one callback may take.
    """

    rate: float
    block: int
    layers: int
    ns_per_sample_per_layer: float
    c_ns_per_sample_per_layer: float | None
    ratio_to_c: float | None
    ratio_range: tuple[float, float] | None
    p50_us: float
    p999_us: float
    period_us: float

    def as_dict(self) -> dict[str, object]:
        """Return the figures by name, as the command prints them."""
        return asdict(self)

    def in_words(self) -> str:
        """Return the figures as the command tells them."""
        lines = [
            f"{self.layers} layers at {self.rate:g} Hz in blocks of {self.block} frames:",
            f"  {self.ns_per_sample_per_layer:.1f} ns a sample and layer",
        ]
        if self.c_ns_per_sample_per_layer and self.ratio_to_c and self.ratio_range:
            lines += [
                f"  {self.c_ns_per_sample_per_layer:.1f} ns for the same chain in plain C, {self.ratio_to_c:.2f} times ours",
                f"  (single rounds from {self.ratio_range[0]:.2f} to {self.ratio_range[1]:.2f})",
            ]
        else:
            lines.append("  no C compiler here to compare with")
        callback = f"  a callback takes {self.p50_us:g} us, 99.9 percent within {self.p999_us:g} us, of {self.period_us:.0f} us"
        return "\n".join([*lines, callback])


def reference_path() -> npt.NDArray[np.float64]:
    """Return the closed path of the reference patch [shape=(POINTS, 3)]: a knot of three sines."""
    t = 2.0 * np.pi * np.arange(POINTS) / POINTS
    return np.stack([np.cos(t), np.sin(2 * t), np.sin(3 * t)], axis=1)


def frequency_of(layer: int) -> float:
    """Return the pen frequency of a layer of the reference patch, in hertz."""
    return 55.0 * (layer + 2)


def reference_program(layers: int) -> Program:
    """Return the reference patch: paths turning about three axes in perspective, added together."""
    program = new_program()
    for layer in range(layers):
        program.draw_path(layer, reference_path())
        program.set(f"layer.{layer + 1}.pen.frequency", frequency_of(layer))
        program.set(f"layer.{layer + 1}.place.camera", CAMERA)
        program.set(f"layer.{layer + 1}.level", LEVEL)
        for axis, spin in zip("xyz", SPINS, strict=True):
            program.set(f"layer.{layer + 1}.place.spin.{axis}", spin * (layer + 1))
    program.schedule()
    return program


def reference_chain(layers: int, rate: float) -> PlainChain:
    """Return the reference patch in plain C.

    Raises
    ------
    OSError
        If there is no C compiler or it fails.
    """
    rows = np.zeros(layers, LAYER)
    for layer, row in enumerate(rows):
        row["step"] = frequency_of(layer) / rate
        row["spin"] = np.array(SPINS) * (layer + 1) / rate
        row["size"] = 1.0
        row["scale"] = 1.0
        row["camera"] = CAMERA
        row["level"] = LEVEL
    output = np.zeros(1, OUTPUT)
    for name in ("level", "gain", "limit"):
        output[name] = 1.0
    output["corner"] = 5.0
    output["knee"] = 0.9
    output["rate"] = rate
    return PlainChain(rows, output, reference_path())


def percentile_us(histogram: npt.NDArray[np.int64], share: float) -> float:
    """Return a percentile of callback times counted in buckets of one microsecond, in microseconds.

    Parameters
    ----------
    histogram : np.ndarray [shape=(HISTOGRAM,), dtype=int64]
    share : float
        0.999 for the time that 99.9 percent stay within. A time past the last bucket reads as it.
    """
    total = int(histogram.sum())
    if total == 0:
        return 0.0
    reached = np.cumsum(histogram) >= share * total
    return float(min(int(np.argmax(reached)) + 1, HISTOGRAM))


def measure_cost(
    rate: float = 48000.0, block: int = 64, layers: int = 4, rounds: int = ROUNDS, blocks: int = BLOCKS
) -> Cost:
    """Measure the reference patch, in turns with plain C where a compiler exists.

    Parameters
    ----------
    rate : float, in hertz
    block : int, in frames
    layers : int, 1 to 8
    rounds, blocks : int
        Rounds of each side, and callbacks in one round.
    """
    engine = Engine(rate)
    engine.play(reference_program(layers))
    out = np.zeros((block, 2), np.float32)
    for _ in range(blocks):
        engine.render_into(out)
    plain = reference_chain(layers, rate) if compiler() is not None else None
    counted = counters(engine.record)
    counted["histogram"][:] = 0
    ours: list[float] = []
    theirs: list[float] = []
    # One call over many blocks, so that neither side pays for Python between calls.
    long = np.zeros((block * blocks, 2), np.float32)
    for _ in range(rounds):
        before = int(counted["total_ns"])
        for _ in range(blocks):
            engine.render_into(out)
        ours.append((int(counted["total_ns"]) - before) / (block * blocks * layers))
        if plain is not None:
            began = time.perf_counter_ns()
            plain.render_into(long)
            theirs.append((time.perf_counter_ns() - began) / (block * blocks * layers))
    histogram = counted["histogram"]
    ratios = [c / o for c, o in zip(theirs, ours, strict=False)]
    return Cost(
        rate=rate,
        block=block,
        layers=layers,
        ns_per_sample_per_layer=float(np.median(ours)),
        c_ns_per_sample_per_layer=float(np.median(theirs)) if theirs else None,
        ratio_to_c=float(np.median(ratios)) if ratios else None,
        ratio_range=(min(ratios), max(ratios)) if ratios else None,
        p50_us=percentile_us(histogram, 0.5),
        p999_us=percentile_us(histogram, 0.999),
        period_us=1e6 * block / rate,
    )


class PlainChain:
    """The reference patch in plain C.

    Parameters
    ----------
    layers : np.ndarray [shape=(n,), dtype=LAYER]
    output : np.ndarray [shape=(1,), dtype=OUTPUT]
    points : np.ndarray [shape=(m, 3), dtype=float64]
        The closed path that every layer follows.

    Raises
    ------
    OSError
        If there is no C compiler or it fails.
    """

    def __init__(self, layers: npt.NDArray[Any], output: npt.NDArray[Any], points: npt.NDArray[np.float64]) -> None:
        self._layers = layers
        self._output = output
        self._points = len(points)
        self._path = np.ascontiguousarray(np.vstack([points, points[:1]]).T)
        self._chain = _build().chain
        self._chain.argtypes = [
            ctypes.c_void_p,
            ctypes.c_int64,
            ctypes.c_void_p,
            ctypes.c_int64,
            ctypes.c_void_p,
            ctypes.c_void_p,
            ctypes.c_int64,
        ]
        self._chain.restype = None

    def render_into(self, out: npt.NDArray[np.float32]) -> None:
        """Fill a contiguous float32 array [shape=(frames, 2)] with the next frames."""
        self._chain(
            self._layers.ctypes.data,
            len(self._layers),
            self._path.ctypes.data,
            self._points,
            self._output.ctypes.data,
            out.ctypes.data,
            len(out),
        )


def compiler() -> str | None:
    """Return the path of the C compiler, or None."""
    return shutil.which("gcc") or shutil.which("cc")


def _build() -> ctypes.CDLL:
    command = compiler()
    if command is None:
        raise OSError("no C compiler found; install gcc to compare with plain C")
    with tempfile.TemporaryDirectory() as folder:
        library = Path(folder) / "chain.so"
        run = subprocess.run(  # noqa: S603 - the compiler found above, on our own file
            [command, *FLAGS, str(SOURCE), "-o", str(library), "-lm"],
            capture_output=True,
            text=True,
            check=False,
        )
        if run.returncode != 0:
            raise OSError(f"{command} could not build {SOURCE.name}: {run.stderr.strip()}")
        return ctypes.CDLL(str(library))
