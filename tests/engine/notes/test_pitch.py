"""What keys sound: the reference pitch, and tunings other than equal temperament."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.memory.layout import KEYS
from tests.engine.playing import RATE, one_circle, started
from tests.reference.pitch import A4_HZ, A4_KEY, EQUAL_TEMPERAMENT, MEANTONE_C4_HZ, MEANTONE_CENTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

WHOLE = 2.0**64


def sounded(key: float, away: NDArray[np.float64] | None = None, **parameters: float) -> float:
    """Return the hertz that a pen of 440 Hz goes round with at a key."""
    program = one_circle()
    program.set("layer.1.pen.frequency", A4_HZ)
    program.set("layer.1.pen.key", key)
    for name, value in parameters.items():
        program.set(f"tuning.{name}", value)
    if away is not None:
        program.tune(away)
    engine = started(program)
    pen = engine.record["instances"][int(engine.record["active"])]["pen"]
    before = int(pen[0])
    assert np.isfinite(engine.render(1)).all()
    return float((int(pen[0]) - before) % int(WHOLE) / WHOLE * RATE)


def meantone() -> NDArray[np.float64]:
    keys = np.arange(KEYS) - 60
    cents = 1200 * (keys // 12) + np.array([0.0, *MEANTONE_CENTS[:-1]])[keys % 12]
    return np.asarray((cents - MEANTONE_CENTS[8]) / 100 - (keys - 9))


@pytest.mark.parametrize("key", sorted(EQUAL_TEMPERAMENT)[::4])
def test_all_follow_the_reference_in_proportion(key: int) -> None:
    assert sounded(key, reference=415.0) == pytest.approx(EQUAL_TEMPERAMENT[key] * 415 / 440, abs=0.006)


def test_a_tuning_moves_each_key_and_leaves_a4() -> None:
    assert sounded(60, meantone()) == pytest.approx(MEANTONE_C4_HZ, abs=0.01)
    assert sounded(A4_KEY, meantone()) == pytest.approx(A4_HZ)


def test_between_keys_the_pitch_goes_straight() -> None:
    away = np.zeros(KEYS)
    away[61] = 1.0
    assert sounded(60.5, away) == pytest.approx(A4_HZ * 2 ** ((61 - A4_KEY) / 12))


@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf, 1e308])
def test_a_key_without_a_pitch_rests_and_touches_no_other(number: float) -> None:
    away = np.zeros(KEYS)
    away[[60, 127]] = number
    assert sounded(59, away) == pytest.approx(A4_HZ * 2 ** ((59 - A4_KEY) / 12))
    assert sounded(61, away) == pytest.approx(EQUAL_TEMPERAMENT[61], abs=0.006)
    for key in (60, 59.5, 127, 200, np.nan, np.inf, 1e308):
        sounded(key, away)


@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf, 0.0])
def test_a_reference_that_is_no_pitch_leaves_the_pen_at_rest(number: float) -> None:
    assert sounded(69, reference=number) == 0.0
