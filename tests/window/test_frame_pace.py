"""When frames are due, on a clock of the test's own."""

import pytest

from instrument.window import frame_pace as pace
from instrument.window.frame_pace import FRAME, Pace


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
    paced, found = Pace(), []
    for work in works:
        found.append((paced.wait() - 100.0) / FRAME)
        clock.now += work * FRAME
    return found


def test_frames_come_evenly_whatever_their_work_takes(clock: Clock) -> None:
    assert begins(clock, [0.1, 0.9, 0.0, 0.5]) == pytest.approx([1, 2, 3, 4])


def test_a_late_frame_costs_the_next_ones_nothing(clock: Clock) -> None:
    assert begins(clock, [1.5, 0.3, 0.3, 0.3]) == pytest.approx([1, 2.5, 3, 4])


def test_frames_whose_time_is_over_are_left_out_and_counted(clock: Clock) -> None:
    paced = Pace()
    paced.wait()
    clock.now += 4.25 * FRAME
    assert [(paced.wait() - 100.0) / FRAME for _ in range(2)] == pytest.approx([5.25, 6])
    assert paced.left_out == 3
