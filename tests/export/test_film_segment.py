"""Segments of a film: where they lie, and that nobody sees where one ends."""

import dataclasses
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.beam.light import as_rgb
from instrument.beam.look import Look
from instrument.export.film_plan import SEGMENT_SECONDS, SHORTEST_SEGMENT, FilmPlan
from instrument.export.film_segment import RawSamples, SegmentRenderer, read_segment, write_samples

Picture = npt.NDArray[np.uint8]


def plan_of(samples: int, rate: int = 8000, frame_rate: int = 30, phosphor: str = "P31") -> FilmPlan:
    return FilmPlan(rate, samples, Fraction(frame_rate), 48, 48, Look().with_setting("phosphor", phosphor))


@pytest.fixture
def sound(tmp_path: Path) -> Iterator[RawSamples]:
    """A bright spot that rests, and then a figure that never repeats itself."""
    t = np.arange(40_000) / 8000
    figure = 0.8 * np.column_stack((np.sin(2 * np.pi * 91.7 * t), np.sin(2 * np.pi * 60.3 * t)))
    figure[:8000] = 0.5
    write_samples(tmp_path / "sound", [figure.astype(np.float32)])
    with RawSamples(tmp_path / "sound") as samples:
        yield samples


def drawn(artist: SegmentRenderer, first: int, end: int) -> list[Picture]:
    return [as_rgb(frame) for frame in artist.frames(first, end)]


def furthest(some: list[Picture], others: list[Picture]) -> int:
    return max(int(np.abs(one.astype(int) - other).max()) for one, other in zip(some, others, strict=True))


@pytest.mark.parametrize("phosphor", ["P31", "P39"])
def test_a_stretch_drawn_alone_is_the_one_that_was_drawn_in_turn(phosphor: str, sound: RawSamples) -> None:
    plan = plan_of(40_000, phosphor=phosphor)
    whole = drawn(SegmentRenderer(plan, sound), 0, 150)
    for first, end in ((30, 60), (75, 110), (110, 150)):
        assert furthest(drawn(SegmentRenderer(plan, sound), first, end), whole[first:end]) <= 1


def test_a_long_afterglow_is_drawn_from_as_far_back_as_it_reaches() -> None:
    assert plan_of(8000, phosphor="P7").source().run_in > 100 * plan_of(8000).source().run_in


def test_an_artist_carries_on_from_where_it_is(sound: RawSamples) -> None:
    plan = plan_of(40_000)
    artist = SegmentRenderer(plan, sound)
    parts = [drawn(artist, first, first + 50) for first in (0, 50, 100)]
    whole = drawn(SegmentRenderer(plan, sound), 0, 150)
    assert furthest([frame for part in parts for frame in part], whole) == 0


def test_a_file_of_a_stretch_begins_with_a_key_and_holds_each_frame_in_turn(sound: RawSamples, tmp_path: Path) -> None:
    told: list[int] = []
    SegmentRenderer(plan_of(40_000), sound).draw(20, 45, tmp_path / "segment", told.append)
    described, packets = read_segment(tmp_path / "segment")
    found = list(packets)
    assert described
    assert [packet.frame for packet in found] == told == list(range(20, 45))
    assert [packet.key for packet in found] == [True] + 24 * [False]
    assert all(packet.data for packet in found)


@given(
    samples=st.integers(1, 10**9),
    rate=st.sampled_from([1000, 44_100, 48_000, 192_000]),
    frame_rate=st.sampled_from([Fraction(1), Fraction(30000, 1001), Fraction(60), Fraction(240)]),
    processes=st.integers(1, 64),
)
def test_stretches_follow_each_other_from_the_first_frame_to_the_last(
    samples: int, rate: int, frame_rate: Fraction, processes: int
) -> None:
    plan = dataclasses.replace(plan_of(min(samples, rate * 1000), rate), frame_rate=frame_rate)
    found = plan.segments(processes)
    assert [first for first, _ in found[1:]] == [end for _, end in found[:-1]]
    assert (found[0][0], found[-1][1]) == (0, plan.frames)
    assert all(end > first + 1 for first, end in found) or plan.frames == 1
    if rate >= 8000 and len(found) > 1:
        lengths = [float((end - first) / frame_rate) for first, end in found]
        assert max(lengths) <= SEGMENT_SECONDS + 4 / frame_rate
        assert min(lengths) >= SHORTEST_SEGMENT - 2 / frame_rate


def test_a_plan_survives_being_told() -> None:
    plan = plan_of(123, phosphor="P7")
    assert FilmPlan.from_json(plan.to_json()) == plan
