"""What the engine's tests play, and how they listen to it in full precision."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.engine import Engine
from instrument.engine.memory.layout import CHUNK, CURVES, MESSAGES
from instrument.engine.parameters import index_of
from instrument.engine.program import CLICK, Program, new_program

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE = 48000.0


def terms(*rows: tuple[float, float, float]) -> NDArray[np.float64]:
    """Return harmonic terms, each (amplitude, ratio, phase in turns), as draw_harmonic takes them."""
    return np.array(rows, np.float64).reshape(-1, 3)


def circle(program: Program, layer: int = 0, size: float = 0.5) -> None:
    """Let a layer (0-based) draw a circle, anticlockwise from (size, 0)."""
    program.draw_harmonic(layer, (terms((size, 1, 0.25)), terms((size, 1, 0)), terms()))


def bare_program() -> Program:
    """Return a program that starts at once, does not ramp and is not bent below full scale."""
    program = new_program()
    program.record["fade_seconds"] = 0.0
    program.record["ramp_seconds"] = 0.0
    program.set("output.knee", 1.0)
    return program


def dot(x: float, y: float = 0.0, z: float = 0.0) -> Program:
    """Return a program that holds the beam at one point, unless parameters move it."""
    program = bare_program()
    program.draw_path(0, np.array([[x, y, z]]))
    program.schedule()
    return program


def one_circle(size: float = 0.5) -> Program:
    """Return a program of one circle at 110 Hz."""
    program = bare_program()
    circle(program, 0, size)
    program.schedule()
    return program


def listen_to(program: Program, control: str, parameter: str, low: float, high: float, **more: float) -> None:
    """Add a row to a program's table of controls.

    Parameters
    ----------
    control, parameter : str
        Name of the message and address of the parameter.
    more : number
        Further fields of the row; `curve` as its index in `CURVES`.
    """
    row = program.record["controls"][int(program.record["n_controls"])]
    fields = {"channel": -1, "number": -1, "curve": CURVES.index("lin"), "step": CLICK, **more}
    row["message"] = MESSAGES.index(control)
    row["param"] = index_of(parameter)
    row["lo"] = low
    row["hi"] = high
    for name, value in fields.items():
        row[name] = value
    program.record["n_controls"] += 1


def started(program: Program, rate: float = RATE) -> Engine:
    """Return an engine that plays a program; the change itself has passed, in one sample.

    That first sample is still the silence before, so the program's own sample 1 comes next.
    """
    engine = Engine(rate)
    engine.play(program)
    engine.render(1)
    return engine


def exact(engine: Engine, frames: int) -> NDArray[np.float64]:
    """Render and return the two channels before they are rounded to float32; no event may be due.

    Returns
    -------
    np.ndarray [shape=(frames, 2), dtype=float64]
    """
    return _scratch(engine, frames, ("mix_x", "mix_y"))


def exact_points(engine: Engine, frames: int) -> NDArray[np.float64]:
    """Render and return x, y, z of the last layer in use, placed but not yet mixed, in full precision.

    Returns
    -------
    np.ndarray [shape=(frames, 3), dtype=float64]
    """
    return _scratch(engine, frames, ("x", "y", "z"))


def _scratch(engine: Engine, frames: int, names: tuple[str, ...]) -> NDArray[np.float64]:
    # Stages leave the latest chunk in the memory; blocks no longer than a chunk let nothing be missed.
    found = np.zeros((frames, len(names)))
    for at in range(0, frames, CHUNK):
        count = min(CHUNK, frames - at)
        engine.render(count, block=count)
        for column, name in enumerate(names):
            found[at : at + count, column] = engine.record[f"scratch_{name}"][:count]
    return found


def largest_step(signal: NDArray[np.floating]) -> float:
    """Return the largest distance between neighbouring samples of any channel."""
    return float(np.abs(np.diff(signal.astype(np.float64), axis=0)).max())
