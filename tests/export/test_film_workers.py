"""Several processes draw one film, and none of them outlives it."""

import os
import signal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from instrument.export import film_workers
from instrument.export.film_plan import FilmPlan
from instrument.export.film_segment import read_segment, write_samples
from instrument.export.film_workers import WorkerPool
from instrument.export.sound import ExportError
from tests.export.films import RATE, SMALL, noise, pictures_in, shot, sound_in

END_SECONDS = 20.0


def test_two_processes_make_the_film_that_one_makes(tmp_path: Path) -> None:
    sound = 0.5 * noise(3.0)
    one, two = tmp_path / "one.mkv", tmp_path / "two.mkv"
    told: list[float] = []
    shot(one, sound, options=SMALL)
    shot(two, sound, options=SMALL.__class__(SMALL.size, SMALL.frame_rate, SMALL.look, 2), progress=told.append)
    (times, expected), (same_times, found) = pictures_in(one), pictures_in(two)
    assert times == same_times
    assert len(times) == 90
    # What is drawn differs by a step at most (`test_film_stretch`); what H.264 makes of it by a little more.
    assert np.abs(found.astype(int) - expected).mean() < 1.0
    np.testing.assert_array_equal(sound_in(one)[1], sound_in(two)[1])
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert sorted(tmp_path.iterdir()) == [one, two]


def test_processes_that_lose_their_listener_or_their_life_end_the_film(tmp_path: Path) -> None:
    """One is killed while it draws, the other one sees its input end; both are gone, and it is said."""
    plan = FilmPlan(RATE, 60 * RATE, Fraction(60), 256, 256, SMALL.look)
    write_samples(tmp_path / "sound", [noise(1.0)] * 60)
    with WorkerPool(plan, plan.segments(2), 2) as crew:
        drawing = crew.draw(tmp_path / "sound", tmp_path, lambda _: None)
        described, packets = read_segment(next(drawing))
        assert described
        assert next(packets).frame == 0
        packets.close()
        killed, left = (worker.process for worker in crew._workers)
        assert killed is not None
        os.kill(killed.pid, signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
        with pytest.raises(film_workers.WorkerError, match="has ended by itself"):
            for _ in drawing:
                pass
        assert left is not None
        assert left.stdin is not None
        left.stdin.close()
        assert left.wait(END_SECONDS) == 0


def test_a_process_tells_what_it_cannot_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(film_workers, "_file", lambda folder, _number: folder / "nowhere" / "segment")
    with pytest.raises(ExportError, match=r"film\.mkv: cannot be written .*nowhere"):
        shot(tmp_path / "film.mkv", noise(1.0), options=SMALL.__class__(16, SMALL.frame_rate, SMALL.look, 2))
    assert not list(tmp_path.iterdir())
