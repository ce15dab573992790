"""What a display gets: corrected as the profile says, to the bit what it was where that says nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.interpolate import lagrange

from instrument.audio import correction as corrector
from instrument.audio.correction import GLIDE_SECONDS
from instrument.audio.correction_table import INDEX, QUANTITIES, Correction
from instrument.audio.device_output import Outlet
from instrument.audio.output_channels import Outputs
from instrument.engine.compiling.compiled import cache_folder
from instrument.engine.engine import Engine
from instrument.engine.program import new_program
from tests.engine.signal.test_callback import forbidden_names

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.program import Program

RATE = 48_000
MICROSECONDS = 1e6 / RATE
"""Of one sample."""


def drawing() -> Program:
    """Two unlike curves, so that an exchange, a turn and a delay of either are seen."""
    program = new_program()
    program.record["fade_seconds"] = 0.0
    program.draw_harmonic(
        0, (np.array([[0.5, 1.0, 0.25]]), np.array([[0.3, 2.0, 0.1], [0.2, 5.0, 0.0]]), np.zeros((0, 3)))
    )
    program.set("layer.1.pen.frequency", 441.0)
    return program


def made(values: dict[str, object], outputs: Outputs | None = None) -> tuple[Outlet, Engine]:
    engine = Engine(RATE)
    engine.play(drawing())
    correction = Correction().with_values(values)
    outlet = Outlet(engine, outputs or Outputs(correction=correction), RATE)
    outlet.state["fade_left"] = 0
    return outlet, engine


def shown(outlet: Outlet, frames: int, block: int = 64) -> NDArray[np.float32]:
    out = np.zeros((frames, outlet.outputs.channels), np.float32)
    for first in range(0, frames, block):
        outlet.fill(out[first : first + block])
    return out


def uncorrected(frames: int) -> NDArray[np.float32]:
    engine = Engine(RATE)
    engine.play(drawing())
    return engine.render(frames)


def held_back(signal: NDArray[Any], samples: float) -> NDArray[Any]:
    """A delay by third-order Lagrange interpolation as scipy has it, through the four samples around each moment."""
    first = max(int(np.floor(samples)) - 1, 0)
    nodes = np.arange(4)
    weights = [float(lagrange(nodes, np.eye(4)[k])(samples - first)) for k in range(4)]
    padded = np.concatenate([np.zeros(first + 3), signal])
    return np.asarray(sum(weights[k] * padded[3 - k : 3 - k + len(signal)] for k in range(4)))


def expected(values: dict[str, float], frames: int) -> NDArray[Any]:
    """The formula of a profile, written anew with numpy."""
    pair = uncorrected(frames).astype(np.float64)
    if values.get("swap"):
        pair = pair[:, ::-1]
    columns = []
    for axis, signal in zip("xy", pair.T, strict=True):
        sign = -1.0 if values.get(f"invert.{axis}") else 1.0
        moved = sign * values.get(f"gain.{axis}", 1.0) * signal + values.get(f"offset.{axis}", 0.0)
        columns.append(held_back(moved, values.get(f"delay.{axis}", 0.0) / MICROSECONDS))
    return np.asarray(np.clip(np.stack(columns, axis=1), -1.0, 1.0))


def test_a_neutral_correction_changes_no_bit() -> None:
    outlet, _ = made({})
    assert shown(outlet, 4000).tobytes() == uncorrected(4000).tobytes()


@pytest.mark.parametrize(
    "values",
    [
        {"gain.x": 0.9375, "gain.y": 1.5},
        {"offset.x": -0.25, "offset.y": 0.75},
        {"swap": 1.0},
        {"invert.x": 1.0},
        {"invert.y": 1.0},
        {"delay.y": 7.3},
        {"delay.x": 100.0},
        {"swap": 1.0, "invert.y": 1.0, "gain.x": 0.8, "offset.y": 0.1, "delay.x": 12.5},
    ],
)
def test_each_value_moves_the_picture_as_it_says(values: dict[str, float]) -> None:
    outlet, _ = made(dict(values))
    np.testing.assert_allclose(shown(outlet, 3000), expected(values, 3000), atol=1e-7)


def test_a_delay_is_the_time_that_it_says() -> None:
    # Against the sine itself, shifted: interpolation of a 882 Hz sine errs by a few millionths.
    outlet, _ = made({"delay.x": 7.3})
    times = np.arange(4000) / RATE - 7.3e-6
    phase = 2 * np.pi * 441.0 * times
    basis = np.stack([np.cos(phase), np.sin(phase)], axis=1)[500:]
    now, before = (signal[500:].astype(float) for signal in (shown(outlet, 4000)[:, 0], uncorrected(4000)[:, 0]))
    unshifted = np.stack([np.cos(phase + 2 * np.pi * 441 * 7.3e-6), np.sin(phase + 2 * np.pi * 441 * 7.3e-6)], axis=1)
    here = np.linalg.lstsq(unshifted[500:], before, rcond=None)[0]
    np.testing.assert_allclose(now, basis @ here, atol=1e-5)


@pytest.mark.parametrize(
    ("hertz", "rate", "most"), [(5000, 48_000, 0.0074), (5000, 96_000, 4.8e-4), (10_000, 192_000, 4.8e-4)]
)
def test_a_delay_errs_by_no_more_than_the_guide_for_developers_says(hertz: float, rate: int, most: float) -> None:
    # The reference above is what is compiled, so its error is that of both.
    turn = np.exp(2j * np.pi * hertz / rate * np.arange(40))
    worst = max(
        np.abs(held_back(turn, samples)[10:] - turn[10:] * np.exp(-2j * np.pi * hertz / rate * samples)).max()
        for samples in np.linspace(0, 3, 61)
    )
    assert 0.9 * most < worst < most


def test_what_is_too_large_stays_finite_and_within_full_scale() -> None:
    found = shown(made({"gain.x": 4, "gain.y": 4, "offset.y": 1})[0], 3000)
    assert np.isfinite(found).all()
    assert np.abs(found).max() == 1.0


@pytest.mark.parametrize("block", [1, 7, 480, 3000])
def test_the_block_shows_in_no_bit_even_amid_a_glide(block: int) -> None:
    values = {"gain.x": 0.7, "delay.y": 33.3}

    def glided(block: int) -> bytes:
        outlet, _ = made({})
        outlet.corrector.set(Correction().with_values(values))
        first = shown(outlet, 3000, block)
        outlet.corrector.set(Correction())
        return first.tobytes() + shown(outlet, 3000, block).tobytes()

    assert glided(block) == glided(64)


def test_a_changed_value_glides_there_while_the_sound_goes_on() -> None:
    outlet, _ = made({"offset.x": 0.0, "gain.x": 0.0})
    shown(outlet, 64)
    outlet.corrector.set(Correction().with_values({"gain.x": 0.0, "offset.x": 0.5}))
    found = shown(outlet, 2000)[:, 0]
    length = round(GLIDE_SECONDS * RATE)
    np.testing.assert_allclose(found[:length], 0.5 * np.arange(1, length + 1) / length, atol=1e-6)
    assert (found[length:] == 0.5).all()


def test_neutral_again_is_bit_for_bit_again() -> None:
    outlet, _ = made({"gain.x": 0.5, "swap": True, "delay.y": 50})
    outlet.corrector.set(Correction())
    assert shown(outlet, 4000)[2000:].tobytes() == uncorrected(4000)[2000:].tobytes()


def test_what_is_recorded_is_the_picture_of_the_patch() -> None:
    outlet, engine = made({"gain.x": 0.5, "swap": True, "delay.y": 50})
    shown(outlet, 4000)
    assert engine.record["ring"][:4000].tobytes() == uncorrected(4000).tobytes()


def test_the_loudspeakers_hear_nothing_of_it() -> None:
    correction = Correction().with_values({"gain.x": 0.5, "swap": True, "invert.y": True})
    pairs = [shown(made({}, Outputs(pa=True, correction=one))[0], 4000)[:, 2:].tobytes() for one in (None, correction)]
    assert pairs[0] == pairs[1]


def test_the_compiled_rows_are_those_of_the_table() -> None:
    places = [INDEX[name] for name in ("swap", "invert.x", "gain.x", "offset.x", "delay.x")]
    assert places == [corrector.SWAP, corrector.INVERT, corrector.GAIN, corrector.OFFSET, corrector.HOLD]
    assert corrector.VALUES == corrector.LEVEL == len(QUANTITIES)


def test_nothing_in_it_can_wait_allocate_or_raise() -> None:
    assert forbidden_names((cache_folder() / "correction.ll").read_text()) == []
