"""Figures with a name against their closed forms and against coordinates of textbooks."""

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.patch import figures as presets
from instrument.patch.figures import resample

Floats = npt.NDArray[np.float64]


def drawn(axes: presets.Axes, places: Floats) -> Floats:
    """Evaluate sums of sines [shape=(n, 3)] with the mathematics library's sine."""
    columns = [
        sum((a * np.sin(2 * np.pi * (r * places + p)) for a, r, p in table), np.zeros(len(places))) for table in axes
    ]
    return np.stack(columns, axis=1)


ROUND = np.arange(720) / 720


class TestPolygons:
    # The pentagon in radicals: cos 72 = (sqrt 5 - 1) / 4 and sin 72 = sqrt(10 + 2 sqrt 5) / 4 degrees; Abramowitz and
    # Stegun, Handbook of Mathematical Functions, 1964, section 4.3 (from memory), known since Euclid IV.11.
    ROOT = math.sqrt(5)
    PENTAGON = np.array(
        [
            [0, 1],
            [-math.sqrt(10 + 2 * ROOT) / 4, (ROOT - 1) / 4],
            [-math.sqrt(10 - 2 * ROOT) / 4, -(ROOT + 1) / 4],
            [math.sqrt(10 - 2 * ROOT) / 4, -(ROOT + 1) / 4],
            [math.sqrt(10 + 2 * ROOT) / 4, (ROOT - 1) / 4],
        ]
    )

    def test_the_pentagon_has_the_coordinates_in_radicals(self) -> None:
        assert presets.polygon(5, 1)[:, :2] == pytest.approx(self.PENTAGON, abs=1e-15)

    def test_the_pentagram_joins_every_second_corner_of_the_pentagon(self) -> None:
        assert presets.polygon(5, 2)[:, :2] == pytest.approx(self.PENTAGON[[0, 2, 4, 1, 3]], abs=1e-15)

    def test_the_square_and_the_hexagon_have_their_known_coordinates(self) -> None:
        assert presets.polygon(4, 1)[:, :2] == pytest.approx(np.array([[0, 1], [-1, 0], [0, -1], [1, 0]]), abs=1e-15)
        half = math.sqrt(3) / 2
        hexagon = np.array([[0, 1], [-half, 0.5], [-half, -0.5], [0, -1], [half, -0.5], [half, 0.5]])
        assert presets.polygon(6, 1)[:, :2] == pytest.approx(hexagon, abs=1e-15)

    def test_the_outline_of_the_pentagram_has_its_notches_at_the_inverse_square_of_the_golden_ratio(
        self,
    ) -> None:
        golden = (1 + self.ROOT) / 2
        outline = presets.star(5, golden**-2)[:, :2]
        assert outline[::2] == pytest.approx(self.PENTAGON, abs=1e-15)
        # Then, and only then, two points and the two notches between them lie on one straight line.
        top, notch, next_notch, far = outline[0], outline[1], outline[3], outline[4]
        for point in (notch, next_notch):
            cross = (far[0] - top[0]) * (point[1] - top[1]) - (far[1] - top[1]) * (point[0] - top[0])
            assert cross == pytest.approx(0, abs=1e-15)

    @settings(deadline=None)
    @given(st.integers(2, 400), st.integers(1, 400))
    def test_a_star_of_lines_is_one_figure_exactly_if_the_numbers_have_no_common_divisor(self, n: int, k: int) -> None:
        if math.gcd(n, k) == 1:
            corners = presets.polygon(n, k)
            assert len(np.unique(corners.round(9), axis=0)) == n
            assert np.hypot(corners[:, 0], corners[:, 1]) == pytest.approx(np.ones(n))
        else:
            with pytest.raises(ValueError, match=f"{math.gcd(n, k)} separate figures"):
                presets.polygon(n, k)

    @pytest.mark.parametrize("corners", [3, 4, 5, 8])
    def test_a_soft_polygon_holds_the_largest_fourier_terms_of_the_polygon(self, corners: int) -> None:
        # numpy's discrete Fourier transform of the polygon run through at constant speed, from the top.
        path = resample(presets.polygon(corners, 1), corners * 1024)
        spectrum = np.fft.fft(path[:, 0] + 1j * path[:, 1]) / len(path)
        x, y, _ = presets.soft_polygon(corners, 5)
        scale = spectrum[1] / (y[0, 0] * np.exp(2j * np.pi * y[0, 2]))
        for amplitude, ratio, phase in y:
            expected = spectrum[int(ratio)]
            assert scale * amplitude * np.exp(2j * np.pi * phase) == pytest.approx(expected, abs=2e-6)
        largest = np.argsort(-np.abs(spectrum))[:5]
        signed = {int(k) if k < len(path) // 2 else int(k) - len(path) for k in largest}
        assert signed == {int(ratio) for ratio in y[:, 1]}
        assert x[:, 1].tolist() == y[:, 1].tolist()


class TestLissajous:
    @pytest.mark.parametrize(("a", "b"), [(1, 2), (3, 2), (3, 4), (5, 4), (5, 7), (1, 9)])
    def test_the_figure_touches_the_sides_a_and_b_times(self, a: int, b: int) -> None:
        # Common laboratory practice, found in any handbook of oscillography: count the points of contact with a
        # vertical and a horizontal side; their ratio is that of the frequencies.
        xyz = drawn(presets.lissajous(a, b, 0.25 / b + 0.013), np.arange(100_000) / 100_000)
        assert [contacts(xyz[:, 0]), contacts(-xyz[:, 0])] == [a, a]
        assert [contacts(xyz[:, 1]), contacts(-xyz[:, 1])] == [b, b]

    @settings(deadline=None)
    @given(st.floats(0, 1))
    def test_the_phase_of_an_ellipse_is_read_from_its_intercept(self, phase: float) -> None:
        # The handbook method: sin(phase) is the height at x = 0 over the greatest height.
        xyz = drawn(presets.lissajous(1, 1, phase), ROUND)
        start = xyz[0]
        assert start[1] == pytest.approx(0, abs=1e-12)
        assert start[0] / np.abs(xyz[:, 0]).max() == pytest.approx(math.sin(2 * math.pi * phase), abs=1e-4)


def contacts(value: Floats) -> int:
    """Count the separate stretches of a closed curve in which it is as good as at 1."""
    near = value > 0.9999
    return int((near & ~np.roll(near, 1)).sum())


class TestRoses:
    @settings(deadline=None)
    @given(st.integers(1, 60), st.integers(1, 60))
    def test_the_sum_of_circles_is_the_rose(self, petals: int, over: int) -> None:
        # The rhodonea r = cos(k theta) of G. Grandi, Flores geometrici, 1728 (from memory).
        n, d = petals // math.gcd(petals, over), over // math.gcd(petals, over)
        turns = d / 2 if n % 2 and d % 2 else d
        theta = 2 * np.pi * turns * ROUND
        r = np.cos(petals / over * theta)
        xyz = drawn(presets.rose(petals, over), ROUND)
        assert xyz[:, 0] == pytest.approx(r * np.cos(theta), abs=1e-9)
        assert xyz[:, 1] == pytest.approx(r * np.sin(theta), abs=1e-9)

    @pytest.mark.parametrize(("petals", "over", "count"), [(3, 1, 3), (5, 1, 5), (2, 1, 4), (4, 1, 8), (5, 3, 5)])
    def test_odd_numbers_give_that_many_petals_and_even_ones_twice_as_many(
        self, petals: int, over: int, count: int
    ) -> None:
        xyz = drawn(presets.rose(petals, over), np.arange(10_000) / 10_000)
        assert contacts(np.hypot(xyz[:, 0], xyz[:, 1])) == count

    @settings(deadline=None)
    @given(st.integers(1, 60), st.integers(1, 60))
    def test_ratios_are_whole_so_that_the_pen_comes_back(self, petals: int, over: int) -> None:
        for table in presets.rose(petals, over):
            assert (table[:, 1] == np.round(table[:, 1])).all()


class TestInSpace:
    @settings(deadline=None)
    @given(st.integers(1, 12), st.integers(1, 12), st.floats(0, 3))
    def test_the_torus_knot_lies_on_its_ring(self, p: int, q: int, tube: float) -> None:
        xyz = drawn(presets.torus_knot(p, q, tube), ROUND) * (1 + tube)
        angle = 2 * np.pi * ROUND
        expected = [
            (1 + tube * np.cos(q * angle)) * np.cos(p * angle),
            (1 + tube * np.cos(q * angle)) * np.sin(p * angle),
            tube * np.sin(q * angle),
        ]
        assert xyz == pytest.approx(np.stack(expected, axis=1), abs=1e-9)

    def test_the_cube_draws_every_edge_in_the_fewest_steps(self) -> None:
        corners = presets.cube()
        after = np.roll(corners, -1, axis=0)
        length = np.linalg.norm(after - corners, axis=1)
        assert length == pytest.approx(np.full(16, 2 / math.sqrt(3)))
        names = [tuple((corner > 0).tolist()) for corner in corners]
        edges = {frozenset(pair) for pair in zip(names, names[1:] + names[:1], strict=True)}
        # Twelve edges, eight corners of odd degree: at least four must be repeated (Euler, 1736).
        assert len(edges) == 12

    def test_epicycles_are_sums_of_turning_arrows(self) -> None:
        wheels = [(0.5, 1.0, 0.1), (0.25, -3.0, 0.0), (0.125, 7.5, 0.6)]
        xyz = drawn(presets.epicycles(wheels), ROUND)
        arrows = sum(r * np.exp(2j * np.pi * (k * ROUND + p)) for r, k, p in wheels)
        assert xyz[:, 0] + 1j * xyz[:, 1] == pytest.approx(arrows, abs=1e-12)

    def test_a_rectangle_has_its_width_and_height(self) -> None:
        assert np.ptp(presets.rectangle(2, 0.5), axis=0).tolist() == [2.0, 0.5, 0.0]
