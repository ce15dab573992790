"""Superformula, trochoids, spirals and phyllotaxis against their closed forms."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from instrument.engine.signal.source_table import GOLDEN, SOURCE_TABLE
from tests.engine.playing import RATE, bare_program, exact_points, started

if TYPE_CHECKING:
    from numpy.typing import NDArray

FREQUENCY = 100.0
ROUND = int(RATE / FREQUENCY)

FIGURES = ("superformula", "trochoid", "spiral", "phyllotaxis", "globe", "landscape", "strings")
NUMBERS = (math.nan, math.inf, -math.inf, 1e308, -1e308, 5e-324, -0.0, 0.5, 1e15)


def drawn(
    kind: str,
    frames: int = ROUND,
    block: int = 0,
    frequency: float = FREQUENCY,
    *,
    linked: bool = False,
    **values: float,
) -> NDArray[np.float64]:
    """Return x, y and z of the first samples of a figure; the pen is at sample / ROUND turns, counted from 1."""
    program = bare_program()
    program.draw(0, kind)
    program.set("layer.1.pen.frequency", frequency)
    for row in SOURCE_TABLE[kind].parameters:
        program.set(f"layer.1.source.{row.name}", values.pop(row.name, row.default))
    assert not values
    for k, row in enumerate(SOURCE_TABLE[kind].parameters if linked else ()):
        program.record["modulators"]["kind"][0] = MODULATOR_LFO
        program.link(k, 0, f"layer.1.source.{row.name}")
        program.set(f"link.{k + 1}.depth", 0.0)
    program.schedule()
    engine = started(program)
    return np.asarray(engine.render(frames, block=block) if block else exact_points(engine, frames), np.float64)


def values_of(values: dict[str, float]) -> dict[str, Any]:
    """Return values of rows, which are none of the other arguments of `drawn`."""
    return values


TURNS = np.arange(1, ROUND + 1) / ROUND
ANGLE = 2 * np.pi * TURNS


def superformula(m: float, n1: float, n2: float, n3: float) -> NDArray[np.float64]:
    quarter = m * ANGLE / 4
    return np.asarray((np.abs(np.cos(quarter)) ** n2 + np.abs(np.sin(quarter)) ** n3) ** (-1 / n1))


def radius_of(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.hypot(points[:, 0], points[:, 1])


@pytest.mark.parametrize(
    "numbers", [(5, 0.3, 0.3, 0.3), (3, 4.5, 10, 10), (8, 2, 6, 6), (6, 1, 1.5, 1.5), (7, -2, 3, 3)]
)
def test_the_superformula_is_that_of_the_paper_at_full_scale(numbers: tuple[float, float, float, float]) -> None:
    m, n1, n2, n3 = numbers
    points = drawn("superformula", m=m, n1=n1, n2=n2, n3=n3)
    largest = max(1.0, (0.5 ** (n2 / 2) + 0.5 ** (n3 / 2)) ** (-1 / n1))
    # At the very points a small exponent makes much of the last bit of the sine.
    np.testing.assert_allclose(radius_of(points), superformula(m, n1, n2, n3) / largest, atol=1e-4)
    blunt = np.abs(np.sin(m * ANGLE / 2)) > 0.01
    wanted = superformula(m, n1, n2, n3)[blunt] / largest
    np.testing.assert_allclose(radius_of(points)[blunt], wanted, rtol=1e-9)
    np.testing.assert_allclose(np.unwrap(np.arctan2(points[:, 1], points[:, 0])), ANGLE, atol=1e-9)


@pytest.mark.parametrize("m", [0.0, 4.0])
def test_the_superformula_with_no_lobes_or_with_squares_is_a_circle(m: float) -> None:
    np.testing.assert_allclose(radius_of(drawn("superformula", m=m, n1=2, n2=2, n3=2)), 1.0, rtol=1e-12)


def test_a_broken_number_of_lobes_lies_between_its_neighbours_and_closes() -> None:
    low, high = (radius_of(drawn("superformula", m=m)) for m in (5.0, 6.0))
    between = drawn("superformula", 2 * ROUND, m=5.25)
    np.testing.assert_allclose(radius_of(between)[:ROUND], 0.75 * low + 0.25 * high, rtol=1e-9)
    smooth = drawn("superformula", 2 * ROUND, m=5.25, n1=2, n2=3, n3=1.5)
    assert np.abs(np.diff(smooth, axis=0)).max() < 0.05


@pytest.mark.parametrize(
    ("fixed", "closed"),
    [
        (3, lambda a: (2 * np.cos(a) + np.cos(2 * a), 2 * np.sin(a) - np.sin(2 * a), 3)),
        (4, lambda a: (4 * np.cos(a) ** 3, 4 * np.sin(a) ** 3, 4)),
    ],
    ids=["deltoid", "astroid"],
)
def test_a_wheel_in_a_wheel_draws_the_known_cusps(fixed: int, closed: object) -> None:
    x, y, size = closed(ANGLE)  # type: ignore[operator]
    found = drawn("trochoid", fixed=fixed, rolling=1, reach=1)
    np.testing.assert_allclose(found[:, 0], x / size, atol=1e-9)
    np.testing.assert_allclose(found[:, 1], y / size, atol=1e-9)


@pytest.mark.parametrize(("fixed", "size"), [(1, 3), (2, 4)], ids=["cardioid", "nephroid"])
def test_a_wheel_around_a_wheel_draws_the_known_cusps(fixed: int, size: int) -> None:
    found = drawn("trochoid", fixed=fixed, rolling=-1, reach=1)
    k = fixed + 1
    np.testing.assert_allclose(found[:, 0], (k * np.cos(ANGLE) - np.cos(k * ANGLE)) / size, atol=1e-9)
    np.testing.assert_allclose(found[:, 1], (k * np.sin(ANGLE) - np.sin(k * ANGLE)) / size, atol=1e-9)


@given(st.integers(1, 40), st.integers(-40, 40), st.floats(-3, 3))
@settings(max_examples=15)
def test_a_trochoid_of_any_teeth_closes_and_fills_full_scale_at_most(fixed: int, rolling: int, reach: float) -> None:
    points = drawn("trochoid", 2 * ROUND, fixed=fixed, rolling=rolling, reach=reach)
    np.testing.assert_allclose(points[:ROUND], points[ROUND:], atol=1e-9)
    assert radius_of(points).max() <= 1 + 1e-9


@pytest.mark.parametrize("inner", [0.0, 0.25, 0.9])
def test_the_archimedean_spiral_keeps_the_distance_of_its_windings(inner: float) -> None:
    points = drawn("spiral", windings=3, inner=inner)[: ROUND // 2]
    angle = np.unwrap(np.arctan2(points[:, 1], points[:, 0]))
    angle += 2 * np.pi * (3 - round(float(angle[-1]) / (2 * np.pi)))
    np.testing.assert_allclose(radius_of(points), inner + (1 - inner) * angle / (6 * np.pi), atol=1e-9)


def test_the_logarithmic_spiral_keeps_the_ratio_of_its_windings() -> None:
    points = drawn("spiral", windings=2, inner=0.1, growth=1)[: ROUND // 2]
    angle = np.unwrap(np.arctan2(points[:, 1], points[:, 0]))
    angle += 2 * np.pi * (2 - round(float(angle[-1]) / (2 * np.pi)))
    np.testing.assert_allclose(np.log10(radius_of(points)), angle / (4 * np.pi) - 1, atol=1e-9)


def test_a_spiral_runs_back_on_itself_at_nearly_constant_speed() -> None:
    points = drawn("spiral", 2 * ROUND, windings=4, inner=0.2, growth=1)
    np.testing.assert_allclose(points[: ROUND - 1], points[: ROUND - 1][::-1], atol=1e-9)
    steps = np.linalg.norm(np.diff(points[: ROUND // 2], axis=0), axis=1)
    assert steps.max() < 1.2 * steps.min()


def test_a_spiral_without_growth_and_with_a_rise_is_a_spring() -> None:
    points = drawn("spiral", windings=3, inner=1, rise=0.8)[: ROUND // 2]
    way = 2 * TURNS[: ROUND // 2]
    wanted = np.column_stack([np.cos(6 * np.pi * way), np.sin(6 * np.pi * way), 0.8 * (1 - 2 * way)])
    np.testing.assert_allclose(points, wanted, atol=1e-9)


def test_florets_stand_at_the_golden_angle_and_at_the_root_of_their_number() -> None:
    points = drawn("phyllotaxis", florets=60, dwell=1)
    rest = points[3::8]
    number = np.arange(1, 61)
    angle = 2 * np.pi * number * (3 - math.sqrt(5)) / 2
    wanted = np.sqrt(number / 60)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    np.testing.assert_allclose(rest[:, :2], wanted, atol=1e-9)
    assert pytest.approx(137.5, abs=0.01) == 360 * GOLDEN


def test_the_beam_rests_on_a_floret_for_its_share_of_the_time() -> None:
    points = drawn("phyllotaxis", florets=30, dwell=0.75)
    still = np.linalg.norm(np.diff(points, axis=0), axis=1) < 1e-12
    assert np.count_nonzero(still) == pytest.approx(0.75 * ROUND, abs=2 * 30)


@pytest.mark.parametrize("kind", FIGURES)
@pytest.mark.parametrize("number", NUMBERS)
def test_any_number_leaves_a_figure_finite(kind: str, number: float) -> None:
    for row in SOURCE_TABLE[kind].parameters:
        found = drawn(kind, 130, **values_of({row.name: number}))
        assert np.isfinite(found).all(), row.name
    found = drawn(kind, 130, **values_of({row.name: number for row in SOURCE_TABLE[kind].parameters}))
    assert np.isfinite(found).all()


@pytest.mark.parametrize("kind", FIGURES)
def test_no_block_and_no_movement_shows_in_a_figure(kind: str) -> None:
    whole = drawn(kind, 960, block=960)
    for block in (1, 7, 480):
        assert drawn(kind, 960, block=block).tobytes() == whole.tobytes()
    # What is linked is worked out for every sample, even where it is not moved.
    assert drawn(kind, 960, block=960, linked=True).tobytes() == whole.tobytes()


@pytest.mark.parametrize("kind", FIGURES)
def test_a_figure_closes_without_a_jump(kind: str) -> None:
    points = drawn(kind, 2 * ROUND)
    np.testing.assert_allclose(points[:ROUND], points[ROUND:], atol=1e-9)
    assert continuous(kind)


def continuous(kind: str, **values: float) -> bool:
    """Return whether the largest step shrinks with the speed, as it does on a line but not at a jump."""
    rounder = {"n1": 2.0, "n2": 3.0, "n3": 3.0} if kind == "superformula" else {}
    fast, slow = (
        float(
            np.abs(
                np.diff(drawn(kind, int(RATE / hertz) + 2, frequency=hertz, **values_of({**rounder, **values})), axis=0)
            ).max()
        )
        for hertz in (4.0, 1.0)
    )
    return slow <= 0.3 * fast


@given(st.data())
@settings(max_examples=20)
def test_a_figure_is_one_line_without_a_jump_between_whole_numbers_too(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(["superformula", "trochoid", "globe", "landscape", "strings"]))
    usual = {
        "m": (0, 9),
        "fixed": (1, 9),
        "rolling": (-5, 5),
        "parallels": (0, 9),
        "meridians": (1, 9),
        "strings": (1, 9),
    }
    names = [row.name for row in SOURCE_TABLE[kind].parameters if row.name in usual]
    assert continuous(kind, **{name: data.draw(st.floats(*usual[name]).map(lambda v: round(v, 1))) for name in names})
