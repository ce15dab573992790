"""The test pictures measure what they say: each against the geometry that its comment promises."""

import numpy as np
import numpy.typing as npt
import pytest

from instrument.engine.engine import Engine
from instrument.patch.build import build_program
from instrument.patch.factory import factory_set
from instrument.patch.patch_file import load_patch
from instrument.patch.set_list_file import patches_named

RATE = 48_000
PATCHES = {path.stem: path for path in patches_named(factory_set("calibration"))}


def drawn(name: str) -> npt.NDArray[np.float64]:
    engine = Engine(RATE)
    engine.play(build_program(load_patch(PATCHES[name])))
    engine.render(RATE // 10)  # behind the fade
    return engine.render(RATE).astype(np.float64)


def test_there_are_seven_in_their_own_set_and_each_says_what_to_look_for() -> None:
    assert sorted(PATCHES) == ["circle", "dot", "hatch", "ident", "ladder", "square", "steps"]
    for path in PATCHES.values():
        patch = load_patch(path)
        assert patch.title
        assert patch.about
        assert [control.number for control in patch.control if control.message == "cc"] == list(range(1, 9))


def test_the_circle_is_round() -> None:
    assert np.hypot(*drawn("circle").T) == pytest.approx(0.8, abs=1e-6)


def test_the_square_keeps_to_its_sides() -> None:
    assert np.abs(drawn("square")).max(axis=1) == pytest.approx(0.8, abs=0.02)


def test_every_point_of_the_hatch_is_on_a_line() -> None:
    away = np.abs(drawn("hatch") / 0.2 - np.rint(drawn("hatch") / 0.2)).min(axis=1)
    assert (away < 0.05).mean() > 0.95


def test_the_steps_rise_to_the_right_below_their_diagonal() -> None:
    x, y = drawn("steps").T
    assert (y <= x + 0.02).all()
    assert np.corrcoef(x, y)[0, 1] > 0.9


def test_the_dot_never_rests_and_stays_in_the_middle() -> None:
    out = drawn("dot")
    assert (np.abs(np.diff(out, axis=0)).max(axis=1) > 1e-5).all()
    assert np.abs(out).max() < 0.08
    assert np.ptp(np.array([part.mean(axis=0) for part in np.split(out, 10)])) > 0.02


def test_left_goes_to_the_right_and_right_goes_up() -> None:
    x, y = drawn("ident").T
    # The arrows begin at -0.8 and end where the letters begin.
    level, upright = np.abs(y) < 1e-6, np.abs(x) < 1e-6
    assert x[level].min() == pytest.approx(-0.8, abs=0.02)
    assert y[upright].min() == pytest.approx(-0.8, abs=0.02)
    assert x.max() == pytest.approx(0.72 + 0.1, abs=0.08)
    assert y.max() == pytest.approx(0.72 + 0.1, abs=0.08)


def test_each_square_of_the_ladder_is_half_as_large() -> None:
    level = np.abs(drawn("ladder")).max(axis=1)
    for side in (0.9, 0.45, 0.225, 0.1125):
        assert (np.abs(level - side) < 0.005).mean() > 0.04
