"""The reference chain in plain C, built on the spot where a compiler exists, to measure the engine against."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

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
