"""What the bench of saving looks for in a sound: clicks and gaps."""

from __future__ import annotations

import numpy as np
import pytest

from tools.benches.saving import movement


def sine(frames: int = 4800) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    turn = 2 * np.pi * np.arange(frames) / 480
    return np.stack([np.cos(turn), np.sin(turn)], axis=1).astype(np.float32)


def test_a_sine_steps_no_further_than_its_fastest_place() -> None:
    step, standstill = movement(sine())
    assert step == pytest.approx(2 * np.pi / 480, rel=1e-3)
    assert standstill == 1


def test_a_click_shows_as_a_step() -> None:
    heard = sine()
    heard[1000, 1] += 0.5
    assert movement(heard)[0] == pytest.approx(0.5, abs=2 * np.pi / 480)


def test_a_gap_shows_as_a_standstill() -> None:
    heard = sine()
    heard[1000:1064] = 0.0
    assert movement(heard)[1] == 64
