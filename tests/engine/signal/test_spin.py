"""Spinning as fast as a tone: the spectrum that the closed form of a turning line has."""

from __future__ import annotations

import numpy as np
import pytest

from instrument.engine.memory.layout import LINK_ADD
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from tests.engine.playing import RATE, bare_program, exact, started, terms

PITCH, SPIN, SIZE = 300.0, 1000.0, 0.5


def spectrum(signal: np.ndarray) -> np.ndarray:
    """Return amplitudes by whole hertz of one second of signal."""
    return np.abs(np.fft.rfft(signal)) / (len(signal) / 2)


@pytest.mark.parametrize("by_link", [False, True], ids=["typed", "through a link"])
def test_a_line_turning_a_thousand_times_a_second_sounds_at_its_pitch_plus_and_minus_1000_hz(
    by_link: bool,
) -> None:
    program = bare_program()
    program.draw_harmonic(0, (terms((SIZE, 1, 0.25)), terms(), terms()))
    program.set("layer.1.pen.frequency", PITCH)
    if by_link:
        # A modulator that stands at 1 for all the time, so that the speed has a value for every sample.
        program.modulate(0, MODULATOR_LFO)
        program.set("mod.1.rate", 0.0)
        program.set("mod.1.phase", 0.25)
        program.set("link.1.depth", SPIN)
        program.link(0, 0, "layer.1.place.spin.z", LINK_ADD)
    else:
        program.set("layer.1.place.spin.z", SPIN)
    program.schedule()
    x, y = exact(started(program), int(RATE)).T
    # cos(a) cos(b) = (cos(a - b) + cos(a + b)) / 2: two lines, half as high, and nothing else.
    for channel in (x, y):
        found = spectrum(channel)
        wanted = np.zeros(len(found))
        wanted[[int(abs(PITCH - SPIN)), int(PITCH + SPIN)]] = SIZE / 2
        np.testing.assert_allclose(found, wanted, atol=1e-9)
