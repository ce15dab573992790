"""Formulas while they play: every function against NumPy, whatever the block size, and back to health."""

from __future__ import annotations

import ctypes
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sawtooth, square

from instrument.engine.engine import CALLBACK_ADDRESS, Engine, midi_event
from instrument.engine.memory.layout import CHUNK, CODE, CONSTANTS, FEEDBACK_DELAY_SAMPLES
from instrument.engine.numeric.safe_math import HUGE
from instrument.engine.program import new_program
from instrument.patch.formula.functions import FUNCTIONS
from instrument.patch.formula.parser import compile_formula
from tests.engine.formula_rig import Rig
from tests.engine.playing import RATE, bare_program, circle, exact, started
from tests.strategies import AWKWARD, any_number

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from instrument.engine.program import Program

    Row = NDArray[np.float64]

RIG = Rig()

CLOSE = 1e-15
"""Relative: a few units in the last place of a float64, which are 2**-52 each at most."""

OWN = {"saw", "tri", "pulse", "noise", "min", "max"}
"""Functions that NumPy has not, or has something else by that name."""

OF_ONE = tuple(name for name, function in FUNCTIONS.items() if function.most == 1 and name not in OWN)
OF_TWO = tuple(
    name for name, function in FUNCTIONS.items() if function.fewest == function.most == 2 and name not in OWN
)
PAIRS = np.array([(a, b) for a in AWKWARD for b in AWKWARD])


def bounded(values: Row) -> Row:
    """Return what is left of values that pass from one stage to the next."""
    return np.clip(np.nan_to_num(values, nan=0.0, posinf=HUGE, neginf=-HUGE), -HUGE, HUGE)


def check(name: str, *operands: Row) -> None:
    """Compare a function of the knobs a and b with NumPy's function of that name."""
    knobs = dict(zip("ab", operands, strict=False))
    with np.errstate(all="ignore"):
        wanted = np.asarray(getattr(np, name)(*operands), np.float64)
    found = RIG.value(f"{name}({', '.join(knobs)})", **knobs)
    # Twice the smallest normal number: below it, one of the two may have flushed an operand to 0.
    np.testing.assert_allclose(found, bounded(wanted), rtol=CLOSE, atol=5e-308, err_msg=name)


@pytest.mark.parametrize("name", OF_ONE)
@given(values=st.lists(st.floats(-1e3, 1e3) | any_number(), min_size=1, max_size=100))
@settings(max_examples=10)
def test_a_function_of_one_number_is_numpys(name: str, values: list[float]) -> None:
    check(name, np.array(values))


@pytest.mark.parametrize("name", OF_ONE)
def test_a_function_of_one_number_is_numpys_on_every_scale(name: str) -> None:
    rng = np.random.default_rng(3)
    sizes = 10.0 ** rng.uniform(-300, 300, 1000)
    usual = 10.0 ** rng.uniform(-3, 4, 3000)
    check(name, np.concatenate([sizes, -sizes, usual, -usual, np.array(AWKWARD)]))


@pytest.mark.parametrize("name", OF_TWO)
@given(
    values=st.lists(
        st.tuples(st.floats(-1e3, 1e3) | any_number(), st.floats(-30, 30) | any_number()),
        min_size=1,
        max_size=100,
    )
)
@settings(max_examples=10)
def test_a_function_of_two_numbers_is_numpys(name: str, values: list[tuple[float, float]]) -> None:
    table = np.array(values)
    # A divisor below the smallest normal number is 0 to the engine, and remainders say so.
    table[np.abs(table) < 2.3e-308] = 0.0
    check(name, table[:, 0], table[:, 1])


@pytest.mark.parametrize("name", OF_TWO)
def test_a_function_of_two_numbers_is_numpys_for_awkward_ones(name: str) -> None:
    pairs = np.where(np.abs(PAIRS) < 2.3e-308, 0.0, PAIRS)
    whole = np.random.default_rng(4).integers(-20, 20, (500, 2)).astype(float)
    check(name, np.concatenate([pairs[:, 0], whole[:, 0]]), np.concatenate([pairs[:, 1], whole[:, 1]]))


@pytest.mark.parametrize("name", ["mod", "fmod", "floor_divide"])
def test_remainders_are_exact_when_the_quotient_is_not(name: str) -> None:
    rng = np.random.default_rng(5)
    a, b = rng.uniform(1, 2, (2, 2000)) * 10.0 ** rng.uniform(-150, 150, (2, 2000))
    check(name, a * rng.choice([-1, 1], 2000), b * rng.choice([-1, 1], 2000))


@given(values=st.lists(st.tuples(any_number(), any_number(), any_number()), min_size=1, max_size=64))
def test_functions_of_three_numbers_are_numpys(values: list[tuple[float, float, float]]) -> None:
    a, b, c = np.array(values).T
    with np.errstate(all="ignore"):
        for text, wanted in (("where(a, b, c)", np.where(a, b, c)), ("clip(a, b, c)", np.clip(a, b, c))):
            np.testing.assert_allclose(RIG.value(text, a=a, b=b, c=c), bounded(wanted), atol=5e-308)


@given(values=st.lists(any_number(), min_size=2, max_size=8))
def test_min_and_max_take_several_numbers(values: list[float]) -> None:
    knobs = dict(zip("abcdefgh", ([value] for value in values), strict=False))
    names = ", ".join(knobs)
    assert RIG.value(f"min({names})", **knobs)[0] == pytest.approx(bounded(np.min(values)), abs=5e-308)
    assert RIG.value(f"max({names})", **knobs)[0] == pytest.approx(bounded(np.max(values)), abs=5e-308)


def test_every_function_has_a_test() -> None:
    assert set(OF_ONE) | set(OF_TWO) | OWN | {"where", "clip"} == set(FUNCTIONS)


TURNS = np.random.default_rng(6).uniform(-50, 50, 1000)


def test_saw_and_tri_are_scipys_over_turns() -> None:
    angle = 2 * np.pi * TURNS
    np.testing.assert_allclose(RIG.value("saw(a)", a=TURNS), sawtooth(angle), atol=1e-12)
    np.testing.assert_allclose(RIG.value("tri(a)", a=TURNS), sawtooth(angle, 0.5), atol=1e-12)


@pytest.mark.parametrize("width", [0.0, 0.25, 0.5, 0.9, 1.0])
def test_pulse_is_scipys_square_over_turns(width: float) -> None:
    wanted = square(2 * np.pi * TURNS, width)
    np.testing.assert_array_equal(RIG.value(f"pulse(a, {width})", a=TURNS), wanted)


@pytest.mark.parametrize("text", ["saw(a)", "tri(a)", "pulse(a, 0.5)", "noise(a)"])
def test_waves_have_no_value_where_there_is_no_turn(text: str) -> None:
    found = RIG.value(f"isnan({text})", a=[math.inf, -math.inf, math.nan])
    np.testing.assert_array_equal(found, [1.0, 1.0, 1.0])


def test_noise_is_the_same_for_the_same_number() -> None:
    np.testing.assert_array_equal(RIG.value("noise(a)", a=TURNS), Rig().value("noise(a)", a=TURNS))
    assert RIG.value("noise(a)", a=[-0.0])[0] == RIG.value("noise(a)", a=[0.0])[0]


def test_noise_is_even_between_minus_one_and_one_at_whole_numbers() -> None:
    # Standard errors of mean, mean square and lag-1 product of 20,000 even values: 0.0041, 0.0021, 0.0024.
    found = RIG.value("noise(a)", a=np.arange(-10_000.0, 10_000.0))
    assert np.abs(found).max() <= 1.0
    assert abs(found.mean()) < 0.02
    assert (found**2).mean() == pytest.approx(1 / 3, abs=0.01)
    assert abs((found[1:] * found[:-1]).mean()) < 0.012


def test_noise_runs_smoothly_from_one_whole_number_to_the_next() -> None:
    a, b = RIG.value("noise(a)", a=[7.0, 8.0])
    f = np.linspace(0, 1, 50, endpoint=False)
    # The cubic that is 0 and 1 at the ends and level there: K. Perlin, An image synthesizer (SIGGRAPH 1985).
    wanted = a + (b - a) * (3 * f**2 - 2 * f**3)
    np.testing.assert_allclose(RIG.value("noise(a)", a=7 + f), wanted, atol=1e-12)


@given(first=st.integers(0, CHUNK - 1), length=st.integers(1, CHUNK))
@settings(max_examples=50)
def test_only_the_samples_asked_for_are_delivered(first: int, length: int) -> None:
    last = min(first + length, CHUNK)
    RIG.set_row("a", np.arange(CHUNK))
    (place,) = RIG.load(["2 * a + 1"])
    RIG.instance["modulator_rows"][0] = -7.0
    found = RIG.run(*place, first, last)
    wanted = np.full(CHUNK, -7.0)
    wanted[first:last] = 2 * np.arange(first, last) + 1
    np.testing.assert_array_equal(found, wanted)


FORMULA_OF_EVERYTHING = (
    "sin(tau * p * a) * exp(-b * p) + noise(t * 300) * 0.2 + where(n % 2 == 0, tanh(c), hypot(x1, y2))"
    " + log(1 + velocity + left ** 2) + note / 127 - beat * bpm + cbrt(right) + arctan2(x3, 1 + y1)"
)


def everything() -> Program:
    program = bare_program()
    circle(program, 0, 0.3)
    program.draw_formula(1, [compile_formula(FORMULA_OF_EVERYTHING), compile_formula("0.3 * cos(tau * p) + 0.5 * y1")])
    program.draw_formula(2, [compile_formula("x2 * 0.5 + saw(p * 3)"), compile_formula("0.2 * noise(n) + x8")])
    program.draw(3, "input")
    for address, value in {
        "layer.2.pen.frequency": 777.7,
        "layer.3.pen.frequency": -1234.5,
        "layer.2.source.a": 3.0,
        "layer.2.source.b": 0.4,
        "layer.2.source.c": -0.6,
        "layer.3.place.spin.z": 10.0,
    }.items():
        program.set(address, value)
    program.schedule()
    return program


@pytest.mark.parametrize("mode", [0.0, 1.0], ids=["sum", "turns"])
def test_no_block_size_shows(mode: float) -> None:
    outputs = []
    for block in (1, 7, 64, 480, 1024):
        program = everything()
        program.set("mix.mode", mode)
        engine = started(program)
        notes = [midi_event(200 + 77 * k, 0x90, 40 + k, 90 - k) for k in range(20)]
        outputs.append(engine.render(2000, block=block, events=notes).tobytes())
    assert len(set(outputs)) == 1


def drawn(text: str, frames: int = 300, **values: float) -> Row:
    """Return what a formula on x of layer 1 draws, from the program's sample 1 on."""
    program = bare_program()
    program.draw_formula(0, [compile_formula(text)])
    for name, value in values.items():
        program.set(f"layer.1.{name.replace('_', '.')}", value)
    program.schedule()
    return exact(started(program), frames)[:, 0]


def test_t_counts_seconds_from_the_beginning_of_the_program() -> None:
    np.testing.assert_array_equal(drawn("t"), np.arange(1, 301) / RATE)


def test_p_runs_from_0_to_1_along_the_cycle_and_n_counts_the_cycles() -> None:
    turns = 750 * np.arange(1, 301) / RATE  # in 64ths, so that nothing is rounded
    np.testing.assert_array_equal(drawn("p", pen_frequency=750.0), turns % 1)
    np.testing.assert_array_equal(drawn("n / 8", pen_frequency=750.0), np.floor(turns) / 8)


def test_knobs_are_parameters_of_the_layer() -> None:
    np.testing.assert_array_equal(drawn("a - h", source_a=0.75, source_h=0.5), np.full(300, 0.25))


def test_an_axis_without_a_formula_is_zero() -> None:
    program = bare_program()
    program.draw_formula(0, [None, compile_formula("0.5")])
    program.schedule()
    np.testing.assert_array_equal(exact(started(program), 10), np.tile([0.0, 0.5], (10, 1)))


def test_note_and_velocity_are_those_of_the_newest_held_note_and_stay_after_the_last() -> None:
    program = bare_program()
    program.draw_formula(0, [compile_formula("note / 128"), compile_formula("velocity")])
    program.schedule()
    engine = started(program)
    found = []
    for status, key, velocity in (
        (0x90, 60, 127),
        (0x95, 64, 40),
        (0x85, 64, 0),
        (0x90, 60, 0),
        (0x90, 20, 1),
    ):
        found.append(tuple(engine.render(1, events=[midi_event(0, status, key, velocity)])[0].tolist()))
    wanted = [(60 / 128, 1.0), (0.5, 40 / 127), (60 / 128, 1.0), (60 / 128, 1.0), (20 / 128, 1 / 127)]
    np.testing.assert_allclose(found, wanted, rtol=1e-6)


def test_a_lower_layer_is_read_at_once_and_a_higher_one_late() -> None:
    program = bare_program()
    program.draw_formula(0, [compile_formula("x2 * 0.25"), None])
    program.draw_formula(1, [compile_formula("0.5 * saw(100 * t)"), None])
    program.draw_formula(2, [None, compile_formula("x2")])
    program.schedule()
    out = started(program).render(300).astype(np.float64)
    saw = 0.5 * sawtooth(2 * np.pi * 100 * np.arange(1, 301) / RATE)
    late = np.concatenate([np.zeros(FEEDBACK_DELAY_SAMPLES), saw[:-FEEDBACK_DELAY_SAMPLES]])
    # The program's first sample is the silence before, so nothing was drawn earlier than FEEDBACK_DELAY_SAMPLES samples ago.
    np.testing.assert_allclose(
        out[FEEDBACK_DELAY_SAMPLES + 1 :, 0], (saw + 0.25 * late)[FEEDBACK_DELAY_SAMPLES + 1 :], atol=1e-6
    )
    np.testing.assert_allclose(out[:, 1], saw, atol=1e-6)


def test_a_modulators_formula_reads_layers_late_and_fills_the_modulators_row() -> None:
    program = bare_program()
    program.modulate_by_formula(3, compile_formula("x1 + 10 * y8 + 100 * left + bpm"))
    row = program.record["modulators"][3]
    rig = Rig()
    rig.record["bank"][0]["code"] = program.record["code"]
    rig.record["bank"][0]["constants"] = program.record["constants"]
    rig.instance["delayed_rows"][0, 0] = 1.0
    rig.instance["delayed_rows"][7, 1] = 2.0
    rig.record["input_rows"][0] = 3.0
    rig.record["bpm_row"] = 0.5
    found = rig.run(int(row["code"]), int(row["instructions"]), modulator=3)
    np.testing.assert_array_equal(found, 321.5)
    assert int(program.record["feeds_back"]) == 1


@pytest.mark.parametrize("text", ["a / 0", "a - inf", "exp(a * 1e6)", "sqrt(-1 - a)", "a * nan", "t * 1e308 * a"])
def test_a_formula_gone_to_infinity_or_nan_spoils_no_other_layer(text: str) -> None:
    program = bare_program()
    program.draw_formula(0, [compile_formula(text), compile_formula(text)])
    program.draw_formula(1, [None, compile_formula("x1 + 0.25")])
    program.set("layer.1.source.a", 1.0)
    program.schedule()
    engine = started(program)
    out = engine.render(500)
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= 1.0
    engine.set("layer.1.level", 0.0, at_once=True)
    engine.render(CHUNK)
    np.testing.assert_array_equal(engine.render(100), np.tile(np.array([0.0, 0.25], np.float32), (100, 1)))


@pytest.mark.parametrize("number", AWKWARD)
def test_a_knob_takes_any_number_and_forgets_it(number: float) -> None:
    program = everything()
    engine = started(program)
    for knob in "abc":
        engine.set(f"layer.2.source.{knob}", number, at_once=True)
    during = engine.render(200)
    assert np.isfinite(during).all()
    twin = started(everything())
    twin.render(200)
    for knob, value in zip("abc", (3.0, 0.4, -0.6), strict=True):
        engine.set(f"layer.2.source.{knob}", value, at_once=True)
    # The layers read each other in a circle that loses half of itself in each round.
    engine.render(100 * FEEDBACK_DELAY_SAMPLES)
    twin.render(100 * FEEDBACK_DELAY_SAMPLES)
    np.testing.assert_array_equal(engine.render(200), twin.render(200))


def test_a_program_says_when_formulas_have_no_room() -> None:
    program = bare_program()
    long = compile_formula("+".join(f"sin({k} * t)" for k in range(40)))
    for _ in range(CODE // len(long.instructions)):
        program.draw_formula(0, [long])
    with pytest.raises(ValueError, match="more than 4096 instructions together"):
        program.draw_formula(0, [long])


def test_a_program_says_when_numbers_have_no_room() -> None:
    program = bare_program()
    for k in range(CONSTANTS):
        program.draw_formula(0, [compile_formula(f"t + {k + 0.5}")])
    with pytest.raises(ValueError, match="more than 256 different numbers"):
        program.draw_formula(0, [compile_formula("t + 0.25")])


def test_equal_numbers_share_their_room() -> None:
    program = bare_program()
    for _ in range(50):
        program.draw_formula(0, [compile_formula("t * 0.5 + 3"), compile_formula("3 - t * 0.5")])
    assert int(program.record["n_constants"]) == 2


def listening(left: Row, right: Row, **values: float) -> Callable[[], Row]:
    """Return what draws live input through layer 1, when it is called."""
    program = bare_program()
    program.draw(0, "input")
    for name, value in values.items():
        program.set(f"layer.1.source.{name}", value)
    program.schedule()
    engine = started(program)
    engine.record["input_channels"] = 2
    signature = (
        *(ctypes.c_void_p, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_void_p),
        *(ctypes.c_uint64, ctypes.c_void_p),
    )
    callback = ctypes.CFUNCTYPE(ctypes.c_int, *signature)(CALLBACK_ADDRESS)
    incoming = np.ascontiguousarray(np.stack([left, right], axis=1), np.float32)

    def run() -> Row:
        out = np.zeros_like(incoming)
        callback(incoming.ctypes.data, out.ctypes.data, len(out), None, 0, engine.memory.address)
        return out.astype(np.float64)

    return run


NOISE = np.random.default_rng(7).uniform(-0.4, 0.4, (2, 2000)).astype(np.float32).astype(np.float64)


def test_the_input_is_drawn_bit_for_bit_left_as_x_and_right_as_y() -> None:
    out = listening(*NOISE)()
    np.testing.assert_array_equal(out, NOISE.T)


def test_the_input_has_a_gain() -> None:
    np.testing.assert_array_equal(listening(*NOISE, gain=2.0)(), 2 * NOISE.T)


def test_the_gate_keeps_out_what_is_quiet_and_lets_through_what_is_loud() -> None:
    loud = np.where(np.arange(2000) < 1000, 0.001, 1.0) * NOISE
    out = listening(*loud, gate=0.1)()
    np.testing.assert_array_equal(out[:1000], 0.0)
    opened = 1000 + int(0.005 * RATE) + 20
    np.testing.assert_array_equal(out[opened:], loud.T[opened:])


def test_the_gate_moves_without_a_step() -> None:
    steady = np.where(np.arange(2000) < 500, 0.0, 0.5)
    out = listening(steady, steady, gate=0.1)()
    assert np.abs(np.diff(out, axis=0)).max() <= 0.5 / (0.005 * RATE) + 1e-7
    np.testing.assert_array_equal(out[-500:], 0.5)


def test_an_edited_formula_is_heard_within_a_block_and_five_milliseconds() -> None:
    # The new program is handed over between two blocks; the patch's own fade is 5 ms.
    rate, block = 48000, 64
    engine = Engine(rate)
    for value in ("0.25", "-0.5"):
        program = new_program()
        program.draw_formula(0, [compile_formula(value)])
        engine.play(program, carry=value != "0.25")
        out = engine.render(block + round(0.005 * rate), block=block)
        assert out[-1, 0] == np.float32(float(value))
    assert np.abs(np.diff(out[:, 0])).max() < 0.75 / (0.004 * rate)
