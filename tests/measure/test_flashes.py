"""General flashes against the definition of WCAG 2.2, on both sides of each of its limits.

WCAG 2.2 (W3C Recommendation, 2023; from memory), success criterion 2.3.1 and its definition of "general flash and
red flash thresholds": a flash is a pair of opposing changes in relative luminance of 10 percent or more of the
maximum (1.0), where the darker image is below 0.80; no more than three within any one second; or an area of no more
than 25 percent of any 10 degree visual field, for which 341 x 256 of 1024 x 768 pixels are taken.
"""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.measure.flashes import FRAMES_A_SECOND, SIZE, Flashes

Picture = npt.NDArray[np.float32]

FIELD_PIXELS = 64 * 84
"""256/768 and 341/768 of 192 pixels in whole steps of 4: 64 and 85.25."""


def whole(value: float) -> Picture:
    return np.full((SIZE, SIZE), value, np.float32)


def block(value: float, height: int, width: int, top: int = 40, left: int = 40, ground: float = 0.0) -> Picture:
    picture = whole(ground)
    picture[top : top + height, left : left + width] = value
    return picture


def strobe(bright: Picture, dark: Picture, rate: float, seconds: float) -> list[Picture]:
    """Frames of a picture that is bright in the first half of each period."""
    places = np.arange(round(seconds * FRAMES_A_SECOND)) * rate / FRAMES_A_SECOND
    return [bright if place % 1 < 0.5 else dark for place in places]


def most(frames: list[Picture]) -> int:
    counter = Flashes()
    for frame in frames:
        counter.add_frame(frame)
    return counter.most


class TestCount:
    @pytest.mark.parametrize("rate", [1, 2, 3, 4, 5, 6, 10, 15, 30])
    def test_a_whole_number_of_flashes_a_second_is_counted_as_it_is(self, rate: int) -> None:
        assert most(strobe(whole(1.0), whole(0.0), rate, 3.0)) == rate

    @pytest.mark.parametrize("flashes", [1, 2, 3, 4])
    def test_a_burst_has_so_many_flashes_and_no_more(self, flashes: int) -> None:
        # As many pulses of 50 ms within one second, in darkness.
        frames = [whole(0.0)] * 60
        for _ in range(flashes):
            frames += [whole(1.0)] * 3 + [whole(0.0)] * 9
        assert most([*frames, *[whole(0.0)] * 60]) == flashes

    def test_a_fall_and_a_rise_are_a_flash_as_well(self) -> None:
        # From light: each dark pulse is a decrease followed by an increase; going on is one change, leaving another.
        frames = [whole(0.7)] * 90 + ([whole(0.3)] * 5 + [whole(0.7)] * 5) * 2 + [whole(0.7)] * 90
        assert most(frames) == 2

    def test_flashes_are_forgotten_after_a_second(self) -> None:
        counter = Flashes()
        for frame in strobe(whole(1.0), whole(0.0), 4, 1.0):
            counter.add_frame(frame)
        later = [counter.add_frame(whole(0.0)).flashes for _ in range(60)]
        # The very first change is a second old now.
        assert later[0] == 3
        assert later == sorted(later, reverse=True)
        assert later[-1] == 0
        assert counter.most == 4

    def test_fading_in_and_out_counts_like_switching(self) -> None:
        places = np.arange(180) / FRAMES_A_SECOND
        frames = [whole(0.5 - 0.5 * np.cos(2 * np.pi * 4 * place)) for place in places]
        assert most(frames) == 4

    def test_one_slow_change_is_no_flash(self) -> None:
        assert most([whole(value) for value in np.linspace(0, 1, 200)]) == 0

    def test_a_still_picture_never_flashes(self) -> None:
        assert most([whole(0.5)] * 100) == 0


class TestChange:
    @pytest.mark.parametrize(("change", "flashes"), [(0.09, 0), (0.0999, 0), (0.10, 4), (0.11, 4)])
    @pytest.mark.parametrize("dark", [0.0, 0.4, 0.68])
    def test_a_change_counts_from_ten_percent_on(self, dark: float, change: float, flashes: int) -> None:
        frames = [whole(dark)] * 60 + strobe(whole(dark + change), whole(dark), 4, 2.0)
        assert most(frames) == flashes

    @pytest.mark.parametrize(("dark", "flashes"), [(0.79, 4), (0.81, 0)])
    def test_the_darker_side_must_be_below_eighty_percent(self, dark: float, flashes: int) -> None:
        frames = [whole(dark)] * 60 + strobe(whole(dark + 0.15), whole(dark), 4, 2.0)
        assert most(frames) == flashes

    def test_small_steps_the_same_way_add_up(self) -> None:
        # A triangle of 0.2 in steps of 0.04: no single step is a change, the way there and the way back are.
        steps = [0.3, 0.34, 0.38, 0.42, 0.46, 0.5, 0.46, 0.42, 0.38, 0.34]
        assert most([whole(value) for value in np.repeat(steps * 8, 2)]) == 3


class TestArea:
    def test_a_quarter_of_a_field_is_the_limit(self) -> None:
        # In rows of 64: as much as may flash, and one row more.
        allowed = int(FIELD_PIXELS * 0.25) // 64
        dark = whole(0.0)
        assert most(strobe(block(1.0, allowed, 64), dark, 5, 2.0)) == 0
        assert most(strobe(block(1.0, allowed + 1, 64), dark, 5, 2.0)) == 5

    @pytest.mark.parametrize(("top", "left"), [(0, 0), (0, 132), (148, 0), (148, 132), (76, 60)])
    def test_any_field_of_the_picture_counts(self, top: int, left: int) -> None:
        assert most(strobe(block(1.0, 44, 60, top, left), whole(0.0), 4, 2.0)) == 4

    def test_the_same_area_scattered_over_the_picture_does_not(self) -> None:
        # 44 x 60 pixels of the picture are 7 percent of it: as much of every field, if spread evenly.
        bright = whole(0.0)
        bright[::14, :] = 1.0
        assert bright.sum() == pytest.approx(44 * 60, rel=0.05)
        assert most(strobe(bright, whole(0.0), 4, 2.0)) == 0

    def test_the_area_is_told(self) -> None:
        counter = Flashes()
        counter.add_frame(block(1.0, 32, 42))
        assert counter.area == pytest.approx(32 * 42 / FIELD_PIXELS)

    def test_parts_that_change_at_once_are_taken_together(self) -> None:
        # Two blocks of an eighth and a half each, in one field, 50 ms apart and half a second apart.
        one, two = block(1.0, 24, 36), block(1.0, 24, 36, left=80)
        assert 24 * 36 < 0.25 * FIELD_PIXELS < 2 * 24 * 36
        off = whole(0.0)
        near = ([one] * 3 + [np.maximum(one, two)] * 4 + [two] * 3 + [off] * 5) * 8
        far = ([one] * 8 + [off] * 7 + [two] * 8 + [off] * 7) * 4
        assert most(near) == 4
        assert most(far) == 0

    def test_halves_that_take_turns_flash_as_often_as_each(self) -> None:
        # Left and right of a field change places: each half flashes four times a second, and so do both together.
        left, right = block(1.0, 64, 42), block(1.0, 64, 42, left=82)
        assert most(strobe(left, right, 4, 3.0)) == 4

    def test_halves_that_flash_one_after_the_other_add_up(self) -> None:
        left, right = block(1.0, 64, 42), block(1.0, 64, 42, left=82)
        off = whole(0.0)
        assert most(([left] * 5 + [off] * 10 + [right] * 5 + [off] * 10) * 6) == 4

    def test_stripes_that_move_darken_as_much_as_they_brighten(self) -> None:
        # Stripes 16 pixels wide move 2 pixels a frame: in 0.1 s three quarters of everything changes, but in no two
        # frames more than a quarter, and never one way more than the other.
        columns = np.arange(SIZE)
        frames = [np.tile(((columns + 2 * place) % 32 < 16).astype(np.float32), (SIZE, 1)) for place in range(120)]
        assert most(frames) <= 1

    def test_a_thin_line_that_sweeps_over_everything_is_no_flash(self) -> None:
        frames = []
        for place in range(240):
            picture = whole(0.0)
            column = place * 16 % SIZE  # five sweeps a second
            picture[:, column : column + 3] = 1.0
            frames.append(picture)
        assert most(frames) == 0


@settings(deadline=None, max_examples=15)
@given(st.lists(st.floats(0, 1, width=32), min_size=2, max_size=120))
def test_no_sequence_has_more_flashes_than_pairs_of_changes(values: list[float]) -> None:
    counter = Flashes((24, 24))
    for value in values:
        seen = counter.add_frame(np.full((24, 24), value, np.float32))
        assert 0 <= seen.area <= 1
    big = np.abs(np.diff([0.0, *values])) > 0
    assert counter.most <= min(int(big.sum()) // 2, FRAMES_A_SECOND // 2)


def test_a_frame_of_another_shape_is_refused() -> None:
    with pytest.raises(ValueError, match=r"float32 of shape \(192, 192\), not float64 \(192, 192\)"):
        Flashes().add_frame(np.zeros((SIZE, SIZE)))  # type: ignore[arg-type]


@pytest.mark.parametrize(("shape", "frames"), [((8, 100), 60), ((100, 100), 5)])
def test_too_small_a_picture_or_too_few_frames_are_refused(shape: tuple[int, int], frames: int) -> None:
    with pytest.raises(ValueError, match="take at least 12 x 12 and 10"):
        Flashes(shape, frames)
