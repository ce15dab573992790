"""Forms that repeat or reflect, against their formulas written out in NumPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sawtooth
from scipy.spatial.transform import Rotation

from tests.engine.forming import Bench, assert_near, drawing

EDGES = st.tuples(*[st.floats(0.05, 2.0)] * 3)
SHARES = st.floats(-1.0, 2.0).filter(bool)


def with_edges(kind: str, edges: tuple[float, float, float], **values: float) -> Bench:
    bench = Bench([kind], **{f"{kind}_{name}": value for name, value in values.items()})
    for axis, edge in zip("xyz", edges, strict=True):
        bench.set(f"{kind}.edge.{axis}", edge)
    return bench


@settings(max_examples=30)
@given(drive=st.floats(-5.0, 5.0), edges=EDGES)
def test_fold_is_a_triangle_wave_of_each_coordinate(drive: float, edges: tuple[float, float, float]) -> None:
    # scipy.signal.sawtooth of width 0.5 rises from -1 to 1 in half a period; a quarter on, it passes 0 upwards.
    points = drawing()
    wanted = np.array(edges) * sawtooth(2 * np.pi * (points * drive / edges / 4 + 0.25), 0.5)
    np.testing.assert_allclose(with_edges("fold", edges, drive=drive).form(points), wanted, rtol=0, atol=1e-12)


@settings(max_examples=30)
@given(drive=st.floats(-5.0, 5.0), edges=EDGES)
def test_wrap_is_a_saw_of_each_coordinate(drive: float, edges: tuple[float, float, float]) -> None:
    points = drawing()
    driven = points * drive
    wanted = np.remainder(driven + edges, 2 * np.array(edges)) - edges
    found = with_edges("wrap", edges, drive=drive).form(points)
    away = np.abs(np.remainder(driven / edges, 2) - 1) > 1e-9  # at the seam either side is right
    np.testing.assert_allclose(found[away], wanted[away], rtol=0, atol=1e-12)


@pytest.mark.parametrize("kind", ["fold", "wrap"])
def test_what_lies_within_the_edges_stays_exactly(kind: str) -> None:
    points = drawing(size=0.5)
    found = with_edges(kind, (0.5, 0.5, 0.5), drive=1.0).form(points)
    assert found.tobytes() == points.tobytes()


@pytest.mark.parametrize("kind", ["fold", "wrap"])
@settings(max_examples=30)
@given(edge=st.floats(-3.0, 3.0), drive=st.floats(-1e6, 1e6))
def test_nothing_passes_the_edges(kind: str, edge: float, drive: float) -> None:
    points = drawing()
    found = with_edges(kind, (edge, edge, edge), drive=drive).form(points)
    # An edge finer than the last bit of what was driven into it cannot be met any better than by that bit.
    last_bit = np.spacing(np.abs(points * drive))
    assert (np.abs(found) <= abs(edge) * (1 + 1e-9) + last_bit).all()


@settings(max_examples=30)
@given(share=SHARES)
def test_the_amount_blends_the_folded_drawing_with_the_drawing(share: float) -> None:
    points = drawing()
    folded = with_edges("fold", (0.3, 0.4, 0.5), drive=1.5).form(points)
    found = with_edges("fold", (0.3, 0.4, 0.5), drive=1.5, amount=share).form(points)
    assert_near(found, points + share * (folded - points))


@settings(max_examples=30)
@given(amount=SHARES, angle=st.floats(-1.0, 1.0), offset=st.floats(-0.5, 0.5))
def test_every_second_round_is_the_mirror_image(amount: float, angle: float, offset: float) -> None:
    # The Householder reflection, x - 2 n (n . x - d), about the line with the unit normal n at the distance d.
    points = drawing()
    rounds = np.arange(200) // 7 - 9.0
    normal = np.array([np.sin(2 * np.pi * angle), -np.cos(2 * np.pi * angle)])
    distance = points[:, :2] @ normal - offset
    odd = rounds % 2 == 1
    wanted = points.copy()
    wanted[odd, :2] -= 2 * amount * distance[odd, None] * normal
    bench = Bench(["mirror"], mirror_amount=amount, mirror_angle=angle, mirror_offset=offset)
    found = bench.form(points, rounds=rounds)
    assert_near(found, wanted)
    assert found[~odd].tobytes() == points[~odd].tobytes()


def test_an_upright_mirror_changes_the_sign_of_x_exactly() -> None:
    points = drawing()
    np.testing.assert_array_equal(Bench(["mirror"]).form(points, rounds=1.0), points * [-1, 1, 1])


@settings(max_examples=30)
@given(angle=st.floats(-1.0, 1.0), offset=st.floats(-0.5, 0.5))
def test_half_a_mirror_leaves_nothing_behind_it(angle: float, offset: float) -> None:
    points = drawing()
    normal = np.array([np.sin(2 * np.pi * angle), -np.cos(2 * np.pi * angle)])
    before = points[:, :2] @ normal - offset
    found = Bench(["mirror"], mirror_show=1, mirror_angle=angle, mirror_offset=offset).form(points)
    assert_near(found[:, :2] @ normal - offset, np.abs(before))
    assert found[before > 1e-12].tobytes() == points[before > 1e-12].tobytes()


@settings(max_examples=30)
@given(
    count=st.integers(1, 9),
    spread=st.floats(-2.0, 2.0),
    growth=st.floats(-0.5, 0.5),
    amount=SHARES,
    step=st.tuples(*[st.floats(-0.3, 0.3)] * 3),
)
def test_copies_are_turned_enlarged_and_shifted_round_by_round(
    count: int, spread: float, growth: float, amount: float, step: tuple[float, float, float]
) -> None:
    points = drawing()
    rounds = np.arange(200) // 5 - 12.0
    copy = np.mod(rounds, count)
    turned = Rotation.from_euler("z", 2 * np.pi * amount * spread * copy[:, None] / count).apply(points)
    wanted = turned * (1 + amount * growth * copy)[:, None] + amount * copy[:, None] * np.array(step)
    bench = Bench(["copies"], copies_count=count, copies_spread=spread, copies_growth=growth, copies_amount=amount)
    for axis, value in zip("xyz", step, strict=True):
        bench.set(f"copies.step.{axis}", value)
    found = bench.form(points, rounds=rounds)
    assert_near(found, wanted)
    assert found[copy == 0].tobytes() == points[copy == 0].tobytes()


@pytest.mark.parametrize("count", [3.0, 3.7, 3.999])
def test_a_number_of_copies_counts_only_whole_ones(count: float) -> None:
    points = drawing(30)
    rounds = np.arange(30.0)
    wanted = Bench(["copies"], copies_count=3).form(points, rounds=rounds)
    assert Bench(["copies"], copies_count=count).form(points, rounds=rounds).tobytes() == wanted.tobytes()


@pytest.mark.parametrize("count", [1.0, 0.5, 0.0, -4.0, np.nan, -np.inf])
def test_fewer_than_two_copies_are_the_original(count: float) -> None:
    points = drawing()
    found = Bench(["copies"], copies_count=count).form(points, rounds=np.arange(200.0))
    assert found.tobytes() == points.tobytes()


@settings(max_examples=30)
@given(pitch=st.tuples(*[st.floats(1e-3, 3.0)] * 3))
def test_lattice_rounds_each_axis_to_multiples_of_its_pitch(pitch: tuple[float, float, float]) -> None:
    points = drawing()
    bench = Bench(["lattice"])
    for axis, value in zip("xyz", pitch, strict=True):
        bench.set(f"lattice.pitch.{axis}", value)
    np.testing.assert_array_equal(bench.form(points), np.floor(points / pitch + 0.5) * pitch)


def test_halves_go_up_on_a_lattice() -> None:
    x = np.array([-0.75, -0.25, 0.25, 0.75, 0.24999, -0.25001])
    points = np.column_stack([x, x, x])
    bench = Bench(["lattice"], lattice_pitch_x=0.5, lattice_pitch_y=0.5, lattice_pitch_z=0.5)
    np.testing.assert_array_equal(bench.form(points)[:, 0], [-0.5, 0.0, 0.5, 1.0, 0.0, -0.5])


@pytest.mark.parametrize("pitch", [0.0, -0.0, np.nan, 5e-324, 1e-300, 1e-25])
def test_a_lattice_without_pitch_or_finer_than_the_numbers_rounds_nothing(pitch: float) -> None:
    points = drawing()
    found = Bench(["lattice"], lattice_pitch_x=pitch, lattice_pitch_y=pitch, lattice_pitch_z=pitch).form(points)
    np.testing.assert_array_equal(found, points)


@pytest.mark.parametrize("pitch", [np.inf, -np.inf, 1e308])
def test_a_lattice_of_endless_pitch_has_one_point(pitch: float) -> None:
    found = Bench(["lattice"], lattice_pitch_x=pitch, lattice_pitch_y=pitch, lattice_pitch_z=pitch).form(drawing())
    np.testing.assert_array_equal(found, 0.0)


@pytest.mark.parametrize("kind", ["fold", "wrap", "mirror", "copies", "lattice"])
def test_a_moving_amount_gives_each_sample_what_a_still_one_would(kind: str) -> None:
    points = drawing(20)
    amounts = np.linspace(-0.7, 0.9, 20)
    moving = Bench([kind], **{f"{kind}_amount": amounts}).form(points, rounds=5.0)
    for k, amount in enumerate(amounts):
        still = Bench([kind], **{f"{kind}_amount": float(amount)}).form(points, rounds=5.0)
        assert moving[k].tobytes() == still[k].tobytes()
