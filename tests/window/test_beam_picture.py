"""Frames of the picture: due on an even grid, whole, in order, and drawn where the light is."""

import numpy as np
import numpy.typing as npt
import pygame
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.beam.look import Look
from instrument.engine.memory.allocation import allocate
from instrument.engine.memory.layout import CHUNK
from instrument.window import beam_picture as pace
from instrument.window.beam_picture import FRAME, FramePace, OutputReader, Picture
from tests.window.memory import RATE, write_output


@pytest.mark.parametrize("room", [(320, 300), (1280, 770), (600, 1000), (3, 3)])
@pytest.mark.parametrize("shape", ["square", "5:4"])
def test_it_lies_in_the_middle_of_its_room_and_fills_it(room: tuple[int, int], shape: str) -> None:
    picture = Picture(pygame.Rect((0, 0), room), 48_000.0, Look().with_setting("glass", shape))
    wide = max(room[0], 16), max(room[1], 16)
    assert picture.area.width in {wide[0], wide[0] - 1} or picture.area.height == wide[1]
    assert abs(picture.area.centerx - wide[0] // 2) <= 1
    assert picture.area.top >= 0


def test_changes_are_drawn_where_they_are() -> None:
    picture, target = Picture(pygame.Rect(0, 0, 400, 300), 48_000.0), pygame.Surface((400, 300))
    picture.draw_all(target)
    picture.update(np.full((4800, 2), (0.5, 0.5), np.float32), 0.1)
    changed = picture.draw_changes(target)
    assert changed is not None
    green = pygame.surfarray.array3d(target)[:, :, 1]
    x, y = np.unravel_index(green.argmax(), green.shape)
    assert changed.collidepoint(int(x), int(y))
    assert x - 200 == pytest.approx(0.5 * 150 / 1.06, abs=3)
    assert 150 - y == pytest.approx(0.5 * 150 / 1.06, abs=3)


def test_light_fades_while_no_samples_come() -> None:
    picture, target = Picture(pygame.Rect(0, 0, 100, 100), 48_000.0), pygame.Surface((100, 100))
    picture.update(np.zeros((4800, 2), np.float32), 0.1)
    picture.draw_all(target)
    picture.update(np.empty((0, 2), np.float32), 60.0)
    picture.draw_changes(target)
    assert not pygame.surfarray.array3d(target).any()
    assert picture.draw_changes(target) is None


class Clock:
    """Stands still but while somebody sleeps or works."""

    def __init__(self) -> None:
        self.now = 100.0

    def monotonic(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(pace, "time", made)
    return made


def begins(clock: Clock, works: list[float]) -> list[float]:
    """Return when each frame begins, in frames from the start, if its work takes so many frames."""
    paced, found = FramePace(), []
    for work in works:
        found.append((paced.wait() - 100.0) / FRAME)
        clock.now += work * FRAME
    return found


def test_frames_come_evenly_whatever_their_work_takes(clock: Clock) -> None:
    assert begins(clock, [0.1, 0.9, 0.0, 0.5]) == pytest.approx([1, 2, 3, 4])


def test_a_late_frame_costs_the_next_ones_nothing(clock: Clock) -> None:
    assert begins(clock, [1.5, 0.3, 0.3, 0.3]) == pytest.approx([1, 2.5, 3, 4])


def test_frames_whose_time_is_over_are_left_out_and_counted(clock: Clock) -> None:
    paced = FramePace()
    paced.wait()
    clock.now += 4.25 * FRAME
    assert [(paced.wait() - 100.0) / FRAME for _ in range(2)] == pytest.approx([5.25, 6])
    assert paced.left_out == 3


Record = npt.NDArray[np.void]


@pytest.fixture
def record() -> Record:
    return allocate(RATE, ring_seconds=0.01).record


def numbered(start: int, count: int) -> npt.NDArray[np.int64]:
    numbers = np.arange(start, start + count)
    return np.column_stack((numbers, -numbers))


def test_a_reader_starts_with_what_comes_next(record: Record) -> None:
    write_output(record, numbered(0, 100))
    reader = OutputReader(record, RATE)
    write_output(record, numbered(100, 30))
    np.testing.assert_array_equal(reader.read(1.0), numbered(100, 30))


def test_nothing_new_is_an_empty_read(record: Record) -> None:
    assert OutputReader(record, RATE).read(1.0).shape == (0, 2)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(0, 400), min_size=1, max_size=40))
def test_every_frame_is_read_once_and_in_order(blocks: list[int]) -> None:
    record = allocate(RATE, ring_seconds=0.01).record
    reader = OutputReader(record, RATE)
    written, found = 0, []
    for count in blocks:
        write_output(record, numbered(written, count))
        written += count
        found.append(reader.read(1.0))
    np.testing.assert_array_equal(np.concatenate(found), numbered(0, written))
    assert reader.missed == 0


def test_frames_that_were_overwritten_are_counted(record: Record) -> None:
    reader = OutputReader(record, RATE)
    length = int(record["ring_frames"])
    for start in range(0, 3 * length, length // 2):
        write_output(record, numbered(start, length // 2))
    found = reader.read(1.0)
    # The chunk that the callback may be writing just now counts as overwritten.
    assert reader.missed == 2 * length + CHUNK
    np.testing.assert_array_equal(found, numbered(2 * length + CHUNK, length - CHUNK))


def test_frames_overwritten_while_they_are_read_are_counted_and_left_out(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = OutputReader(record, RATE)
    length = int(record["ring_frames"])
    write_output(record, numbered(0, length - CHUNK))
    copied = iter([False, True])

    def fence() -> None:
        if next(copied):
            write_output(record, numbered(length - CHUNK, 100))

    monkeypatch.setattr("instrument.engine.memory.output_ring.fence", fence)
    found = reader.read(1.0)
    assert reader.missed == 100
    np.testing.assert_array_equal(found, numbered(100, length - CHUNK - 100))


@pytest.mark.parametrize("block", [64, 480, 2048])
def test_blocks_of_any_size_come_out_evenly(block: int) -> None:
    record = allocate(RATE, ring_seconds=1.0).record
    record["counters"]["largest_block"] = block
    reader = OutputReader(record, RATE)
    counts, written = [], 0
    for frame in range(1, 181):
        while written + block <= frame * RATE / 60:
            write_output(record, np.zeros((block, 2)))
            written += block
        counts.append(len(reader.read(1 / 60)))
    settled = np.array(counts[60:])
    assert settled.mean() == pytest.approx(RATE / 60, rel=0.02)
    assert settled.min() > 0.4 * RATE / 60
    assert settled.max() < 1.6 * RATE / 60
    assert written - sum(counts) <= 2 * block


def test_after_a_stall_the_reader_is_up_to_date_at_once() -> None:
    record = allocate(RATE, ring_seconds=1.0).record
    record["counters"]["largest_block"] = 64
    reader = OutputReader(record, RATE)
    write_output(record, np.zeros((40_000, 2)))
    assert len(reader.read(1 / 60)) == 40_000 - 64


def test_the_last_frames_come_out_when_the_sound_stops() -> None:
    record = allocate(RATE, ring_seconds=1.0).record
    record["counters"]["largest_block"] = 2048
    reader = OutputReader(record, RATE)
    write_output(record, np.zeros((2048, 2)))
    assert sum(len(reader.read(1 / 60)) for _ in range(60)) == 2048
