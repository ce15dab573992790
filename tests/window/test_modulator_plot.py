"""Modulators are drawn as the engine plays them, for every shape, over bends and bad numbers."""

import itertools
import math

import numpy as np
import numpy.typing as npt
import pytest

from instrument.engine.engine import set_event
from instrument.engine.modulators.modulator_table import MODULATOR_ENVELOPE, MODULATOR_LFO
from instrument.engine.program import Program
from instrument.window.widgets.modulator_plot import (
    STAGES,
    WAVES,
    Points,
    curve_shape,
    envelope_shape,
    lfo_name,
    lfo_shape,
    steps_shape,
)
from tests.engine.modulating import given, heard, with_modulator
from tests.engine.playing import RATE, bare_program, started

CYCLE = 4800
"""Samples of a cycle, which the engine plays at 10 Hz."""

JUMP = 0.1
"""A change from one sample to the next but three that is more than this is a jump, beside which nothing is compared."""

BENDS = [-math.inf, -100.0, -4.0, -1e-6, 0.0, 0.5, 7.0, 1e9, math.inf, math.nan]
NUMBERS = [math.nan, math.inf, -math.inf, 1e308, -1e308, 5e-324]


def second_cycle(program: Program) -> npt.NDArray[np.float64]:
    """Return what the engine plays from phase 0 on, once every step has had one before it."""
    return heard(started(program), 2 * CYCLE)[CYCLE - 1 : -1]


def compare(points: Points, played: npt.NDArray[np.float64]) -> int:
    """Hold each point of a line against the samples around it, as exactly as they allow, and return how many there were.

    Parameters
    ----------
    points : list of (float, float)
        Shares of the time that `played` covers, and values.
    played : np.ndarray [shape=(n,)]
    """
    compared = 0
    samples = np.arange(len(played))
    for x, y in points:
        at = x * len(played)
        around = played[max(int(at) - 2, 0) : int(at) + 3]
        if 2 < at < len(played) - 3 and np.ptp(around) < JUMP:
            assert y == pytest.approx(np.interp(at, samples, played), abs=1e-6 + np.ptp(around) / 2), (x, y)
            compared += 1
    return compared


@pytest.mark.parametrize("shape", WAVES)
@pytest.mark.parametrize("width", [0.5, 0.1, 1.0, 0.0, -0.5, 1.5, *NUMBERS])
def test_every_waveform_at_any_width(shape: str, width: float) -> None:
    program = with_modulator(MODULATOR_LFO, rate=RATE / CYCLE, shape=float(WAVES.index(shape)), width=width)
    assert compare(lfo_shape(shape, width), second_cycle(program)) > 80


@pytest.mark.parametrize("number", [-0.6, 0.49, 1.5, 3.7, 4.6, *NUMBERS])
def test_any_number_selects_the_waveform_that_is_played(number: float) -> None:
    program = with_modulator(MODULATOR_LFO, rate=RATE / CYCLE, shape=number)
    assert compare(lfo_shape(lfo_name(number), 0.5), second_cycle(program)) > 80


@pytest.mark.parametrize("bend", [bend for bend in BENDS if math.isfinite(bend)])
def test_curves_with_any_bend(bend: float) -> None:
    rows = [[0.1, 0.5, bend], [0.3, 1.0, -bend], [0.6, -1.0, bend], [0.6, 0.25, 0.0], [0.9, 0.0, 0.0]]
    program = bare_program()
    program.modulate_by_curve(0, np.array(rows))
    given(program, rate=RATE / CYCLE).schedule()
    assert compare(curve_shape(rows), second_cycle(program)) >= 3


@pytest.mark.parametrize(
    "rows",
    [
        [[0.5, 0.0, 1.0, 1.0], [-1.0, 0.0, 1.0, 1.0], [1.0, 0.5, 1.0, 1.0]],
        [[0.5, 1.0, 1.0, 0.5], [1.0, 0.4, 1.0, 0.7], [-0.5, 0.2, 1.0, 1.0]],
        [[0.5, 0.3, 1.0, 1.0], [1.0, 0.8, 1.0, 0.2]],
        [[0.5, -1.0, 1.0, -1.0], [1.0, 5.0, 1.0, 2.0], [0.25, 0.0, 1.0, 0.0]],
        [[0.5, 0.0, 1.0, 1.0]],
    ],
    ids=["glides", "gates", "a gate before the glide has arrived", "outside of the step", "one"],
)
def test_steps_with_any_glide_and_gate(rows: list[list[float]]) -> None:
    program = bare_program()
    program.modulate_by_steps(0, np.array(rows))
    given(program, rate=RATE / CYCLE).schedule()
    played = second_cycle(program)
    line = steps_shape(rows)
    # Between its corners too, which lie where the value jumps or turns.
    inside = [((a + b) / 2, (v + w) / 2) for (a, v), (b, w) in itertools.pairwise(line) if b - a > 0.01]
    assert compare(inside, played) >= len(rows)


@pytest.mark.parametrize("bend", BENDS)
@pytest.mark.parametrize("sustain", [0.7, 0.0, -0.5, math.nan])
def test_envelopes_with_any_bend_and_level(bend: float, sustain: float) -> None:
    times = {"delay": 0.01, "attack": 0.05, "hold": 0.02, "decay": 0.08, "release": 0.1}
    bends = {"bend.attack": bend, "bend.decay": -bend, "bend.release": bend}
    line, stages = envelope_shape({**times, **bends, "sustain": sustain}.__getitem__)
    assert list(stages) == list(STAGES)
    whole = round(sum(times.values()) * 1.25 * RATE)
    opens, closes = 100, 100 + round(stages["sustain"][1] * whole)
    program = with_modulator(
        MODULATOR_ENVELOPE,
        **times,
        sustain=sustain,
        **{name.replace(".", "__"): value for name, value in bends.items()},
    )
    events = [set_event(opens, "mod.1.gate", 1.0), set_event(closes, "mod.1.gate", 0.0)]
    played = heard(started(program), opens + whole, events=events)[opens - 1 : opens - 1 + whole]
    assert compare(line, played) > 70


def test_times_that_are_no_numbers_are_left_out_of_the_line() -> None:
    for number in NUMBERS:
        line, _ = envelope_shape(lambda _, number=number: number)  # type: ignore[misc]
        assert all(math.isfinite(x) and math.isfinite(y) for x, y in line)
