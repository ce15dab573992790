"""What a device gets beside or instead of the engine's own two channels."""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.audio import device_output as outlet
from instrument.audio.device_output import FEED_ADDRESS, Outlet, filters
from instrument.audio.driver import DeviceError
from instrument.audio.jack import process_callback as jack_process
from instrument.audio.output_channels import XY, Outputs, outputs_of
from instrument.engine.compiling.compiled import cache_folder
from instrument.engine.engine import Engine
from instrument.engine.program import new_program
from instrument.measure import beam_motion as jumps
from tests.engine.signal.test_callback import forbidden_names

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.program import Program

RATE = 48_000
BLOCKS = (1, 7, 64, 480, 3000)

_feed = ctypes.CFUNCTYPE(
    ctypes.c_int,
    ctypes.c_void_p,
    ctypes.c_void_p,
    ctypes.c_uint64,
    ctypes.c_void_p,
    ctypes.c_uint64,
    ctypes.c_void_p,
)(FEED_ADDRESS)


def fed(
    program: Program, outputs: Outputs, frames: int, block: int = 64, rate: int = RATE, fade: bool = False
) -> NDArray[np.float32]:
    engine = Engine(RATE)
    engine.play(program)
    made = Outlet(engine, outputs, rate)
    if not fade:
        made.state["fade_left"] = 0
    out = np.zeros((frames, outputs.channels), np.float32)
    done = 0
    while done < frames:
        n = min(block, frames - done)
        part = np.zeros((n, outputs.channels), np.float32)
        assert _feed(None, part.ctypes.data, n, None, 0, made.address) == 0
        out[done : done + n] = part
        done += n
    return out


def circle(frequency: float = 440.0, radius: float = 0.5) -> Program:
    program = new_program()
    program.record["fade_seconds"] = 0.0
    terms = np.array([[radius, 1.0, 0.25]]), np.array([[radius, 1.0, 0.0]]), np.zeros((0, 3))
    program.draw_harmonic(0, terms)
    program.set("layer.1.pen.frequency", frequency)
    return program


ALL = Outputs(pa=True, z=1.0)


def test_the_displays_pair_is_the_engines_bit_for_bit() -> None:
    engine = Engine(RATE)
    engine.play(circle())
    assert fed(circle(), ALL, 4000)[:, :2].tobytes() == engine.render(4000).tobytes()


@pytest.mark.parametrize("rate", [RATE, 44_100, 96_000])
def test_the_block_shows_in_no_bit(rate: int) -> None:
    first, *others = (fed(circle(), ALL, 3000, block, rate, fade=True).tobytes() for block in BLOCKS)
    assert [other == first for other in others] == [True] * len(others)


def test_the_loudspeakers_pair_has_no_direct_voltage_and_the_display_keeps_it() -> None:
    program = circle()
    program.set("output.offset.x", 0.4)
    program.set("output.offset.y", -0.3)
    found = fed(program, Outputs(pa=True), 2 * RATE)[RATE:].astype(float)
    assert found[:, :2].mean(axis=0) == pytest.approx([0.4, -0.3], abs=2e-3)
    assert found[:, 2:].mean(axis=0) == pytest.approx([0.0, 0.0], abs=2e-3)
    assert found[:, 2:].std(axis=0) == pytest.approx(found[:, :2].std(axis=0), rel=2e-3)


def test_the_loudspeakers_pair_stays_within_full_scale() -> None:
    program = circle(3.0, 0.0)
    program.set("output.offset.x", 1.0)
    engine = Engine(RATE)
    engine.play(program)
    made = Outlet(engine, Outputs(pa=True), RATE)
    out = np.zeros((RATE, 4), np.float32)
    for value in (1.0, -1.0):  # a step of twice full scale
        engine.set("output.offset.x", value, at_once=True)
        _feed(None, out.ctypes.data, len(out), None, 0, made.address)
        assert np.abs(out).max() <= 1.0


def two_strokes() -> Program:
    """Two vertical lines, far apart; between them the pen flies in 4 samples."""
    up = np.linspace(-0.5, 0.5, 96)
    fly = np.linspace(-0.8, 0.8, 6)[1:-1]
    x = np.concatenate([np.full(96, -0.8), fly, np.full(96, 0.8), fly[::-1]])
    y = np.concatenate([up, np.full(4, 0.5), up[::-1], np.full(4, -0.5)])
    program = new_program()
    program.record["fade_seconds"] = 0.0
    program.draw_path(0, np.stack([x, y, np.zeros_like(x)], axis=1))
    program.set("layer.1.pen.frequency", RATE / len(x))
    return program


@pytest.mark.parametrize("level", [1.0, -1.0])
def test_brightness_is_dark_during_jumps_and_nowhere_else(level: float) -> None:
    found = fed(two_strokes(), Outputs(z=level), RATE)[RATE // 2 :].astype(float)
    steps = np.hypot(np.diff(found[:, 0]), np.diff(found[:, 1]))
    jumping = steps > 0.1
    assert 0.03 < jumping.mean() < 0.06
    np.testing.assert_array_equal(found[1:, 2][jumping], 0.0)
    np.testing.assert_array_equal(found[1:, 2][~jumping], level)


def test_a_curve_of_sines_is_never_dark() -> None:
    assert (fed(circle(), Outputs(z=1.0), RATE)[RATE // 2 :, 2] == 1.0).all()


def test_its_jumps_are_those_that_are_measured() -> None:
    assert (outlet.FASTER, outlet.STANDING) == (jumps.FASTER, jumps.STANDING)


@pytest.mark.parametrize("rate", [44_100, 88_200, 96_000, 192_000, 47_999])
def test_at_another_rate_a_sine_stays_the_sine_that_it_is(rate: int) -> None:
    found = fed(circle(1000.0), XY, rate // 5, rate=rate).astype(float)[rate // 50 :]
    times = np.arange(len(found)) / rate
    basis = np.stack([np.cos(2 * np.pi * 1000 * times), np.sin(2 * np.pi * 1000 * times)], axis=1)
    fit, *_ = np.linalg.lstsq(basis, found, rcond=None)
    assert np.hypot(*fit) == pytest.approx([0.5, 0.5], abs=1e-4)
    assert np.abs(found - basis @ fit).max() < 3e-5  # 84 dB below
    assert len(found) > 1000


def test_resampling_passes_a_constant_exactly_and_stops_what_the_device_cannot_play() -> None:
    table = filters(192_000.0, 44_100.0)
    assert table.shape[1] <= outlet.TAPS
    np.testing.assert_allclose(table.sum(axis=1), 1.0, rtol=1e-12)
    above = np.exp(2j * np.pi * 30_000 / 192_000 * np.arange(table.shape[1]))
    assert np.abs(table @ above).max() < 1e-4


def test_what_begins_fades_in() -> None:
    found = np.abs(fed(circle(2000.0), XY, 2000, fade=True)).max(axis=1)
    assert found[:48].max() < 0.03
    assert found[1000:].max() == pytest.approx(0.5, abs=1e-3)


def test_the_servers_callback_has_room_for_all_channels() -> None:
    assert jack_process.CHANNELS == outlet.MOST_CHANNELS == ALL.channels
    assert jack_process.SLICE == outlet.SLICE


def test_nothing_in_it_can_wait_allocate_or_raise() -> None:
    assert forbidden_names((cache_folder() / "outlet.ll").read_text()) == []


@pytest.mark.parametrize(("text", "channels"), [("xy", 2), ("xy+pa", 4), ("XY + z", 3), ("xy+z-", 3), ("xy+pa+z", 5)])
def test_outputs_are_words(text: str, channels: int) -> None:
    assert outputs_of(text).channels == channels


@pytest.mark.parametrize("text", ["", "pa", "xy+xy", "xy+z+z-", "xy+q", "stereo"])
def test_other_words_are_refused_with_those_that_are_possible(text: str) -> None:
    with pytest.raises(DeviceError, match=r"choose xy, and after it \+pa"):
        outputs_of(text)
