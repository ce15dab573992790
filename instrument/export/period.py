"""How long a patch takes to come round, and whether it ever does."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

from instrument.engine.formulas.instructions import OPERATION_NUMBERS, place_in_modulator
from instrument.engine.memory.layout import (
    FORM_KINDS,
    MODULATOR_CURVE,
    MODULATOR_ENVELOPE,
    MODULATOR_FORMULA,
    MODULATOR_GESTURE,
    MODULATOR_LFO,
    MODULATOR_RANDOM,
    MODULATOR_STEPS,
    SOURCE_INPUT,
    SOURCE_NONE,
)
from instrument.engine.parameters import LAYERS, MODULATORS

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.engine.engine import Engine

LONGEST_SECONDS = 20.0
"""Of a loop; a patch that takes longer to come round is cut and closed with a cross-fade."""

STILL_SECONDS = 1.0
"""Of the loop of a patch in which nothing moves."""

DRIFT_SECONDS = 6.0
"""Of the loop of a patch whose only movement never comes round: chance, a formula of time, the live input."""

_FINEST = 1000
"""Largest denominator of a rate in turns a second that is taken as meant."""

_TURNING = {MODULATOR_LFO, MODULATOR_CURVE, MODULATOR_STEPS, MODULATOR_GESTURE, MODULATOR_FORMULA}
_NOISE = FORM_KINDS.index("noise")
_TRIGGER_BEAT = 2.0
_ENDLESS = {place_in_modulator(name, 0) for name in ("beat", "n", "left", "right")}
"""Rows that a formula reads and that do not come round."""


def period_of(engine: Engine) -> tuple[float, bool]:
    """Return how long a patch takes to come round, and whether it really does.

    Rates of modulators in use and of turning layers decide; how the pen runs through the drawing does not, since a
    picture shows whole rounds of it anyway.

    Parameters
    ----------
    engine : Engine
        That plays the patch.

    Returns
    -------
    float
        Seconds, at most `LONGEST_SECONDS`.
    bool
        False where the rates have no common round so short, or something moves that never comes round.
    """
    values = engine.values()
    slot = int(engine.record["instances"]["slot"][int(engine.record["active"])])
    program = engine.record["bank"][slot]
    found = [Fraction(rate).limit_denominator(_FINEST) for rate in _rates(values, program)]
    rates = [rate for rate in found if rate > 0]
    drifts = _drifts(values, program)
    if not rates:
        return (DRIFT_SECONDS, False) if drifts else (STILL_SECONDS, True)
    common = rates[0]
    for rate in rates[1:]:
        denominator = math.lcm(common.denominator, rate.denominator)
        common = Fraction(math.gcd(int(common * denominator), int(rate * denominator)), denominator)
    period = float(1 / common)
    # Fast rounds are shown several at a time, so that no frame is left out.
    period *= math.ceil(STILL_SECONDS / period)
    return (period, not drifts) if period <= LONGEST_SECONDS else (LONGEST_SECONDS, False)


def _rates(values: dict[str, float], program: npt.NDArray[np.void]) -> list[float]:
    # Turns a second of everything that moves by itself.
    beats = values["tempo.bpm"] / 60 if values["tempo.running"] >= 0.5 else 0.0
    found = [
        values[f"layer.{layer + 1}.place.spin.{axis}"]
        for layer in range(LAYERS)
        if program["layers"]["source"][layer] != SOURCE_NONE
        for axis in "xyz"
    ]
    for number in range(MODULATORS):
        kind = int(program["modulators"]["kind"][number])
        stem = f"mod.{number + 1}."
        if kind in _TURNING and values[f"{stem}once"] < 0.5:
            found.append(values[f"{stem}rate"] * (beats if values[f"{stem}sync"] >= 0.5 else 1.0))
        if kind in _TURNING | {MODULATOR_ENVELOPE} and values[f"{stem}trigger"] == _TRIGGER_BEAT:
            every = values[f"{stem}every"]
            found.append(beats / every if every > 0 else 0.0)
    return [abs(rate) for rate in found if math.isfinite(rate)]


def _drifts(values: dict[str, float], program: npt.NDArray[np.void]) -> bool:
    layers = program["layers"]
    noisy = any(
        layers["source"][layer] != SOURCE_NONE and _NOISE in layers["forms"][layer][: int(layers["n_forms"][layer])]
        for layer in range(LAYERS)
    )
    kinds = program["modulators"]["kind"].tolist()
    chance = any(
        kind == MODULATOR_RANDOM and values[f"mod.{number + 1}.rate"] != 0 for number, kind in enumerate(kinds)
    )
    code = program["code"][: int(program["n_code"])]
    reads_time = bool((code["operation"] == OPERATION_NUMBERS["time"]).any())
    reads_on = not _ENDLESS.isdisjoint(code["operands"].ravel().tolist())
    return noisy or chance or reads_time or reads_on or bool((layers["source"] == SOURCE_INPUT).any())
