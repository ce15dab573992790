"""Films and animated pictures are read at even times, with the times they have; what is none is refused in words."""

from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.drawings.limits import DrawingError, Limits
from instrument.drawings.readers.film_frames import Film, is_film, parse_film
from tests.drawings.films import HIGH, WIDE, animated, picture, write_film

LEFT = [10.0 + 2 * k for k in range(20)]


def left_edges(film: Film) -> list[int]:
    """Return the column in which the square begins, of each frame."""
    return [int(np.argmax((frame < 128).any(axis=0))) for frame in film.frames]


@pytest.mark.parametrize("ending", [".mp4", ".mkv", ".webm"])
def test_a_film_has_its_own_frames_and_time(tmp_path: Path, ending: str) -> None:
    path = write_film(tmp_path / f"buoy{ending}", [picture(left) for left in LEFT])
    film = parse_film(path.read_bytes(), ending)
    assert film.seconds == pytest.approx(20 / 25, abs=0.002)
    assert left_edges(film) == pytest.approx(LEFT, abs=1)
    assert film.frames[0].shape == (HIGH, WIDE)
    assert film.warnings == ()


@pytest.mark.parametrize("kind", ["GIF", "WEBP", "PNG"])
def test_an_animated_picture_has_its_own_frames_and_time(kind: str) -> None:
    film = parse_film(animated(kind, [picture(left) for left in LEFT]), f".{kind.lower()}")
    assert film.seconds == pytest.approx(0.8)
    assert left_edges(film) == LEFT


def test_frames_that_come_unevenly_keep_their_times(tmp_path: Path) -> None:
    times = [0, 40, 80, 400, 440]
    path = write_film(tmp_path / "buoy.mkv", [picture(10 * k + 10) for k in range(5)], times=times)
    film = parse_film(path.read_bytes(), ".mkv", frame_rate=25.0)
    edges = left_edges(film)
    # At 0.2 s the frame of 0.08 s still shows, at 0.4 s the next one.
    assert [edges[k] for k in (0, 1, 2, 5, 9, 10, 11)] == pytest.approx([10, 20, 30, 30, 30, 40, 50], abs=1)


def test_pictures_of_unequal_times_are_laid_on_the_grid_of_the_shortest() -> None:
    film = parse_film(animated("GIF", [picture(10), picture(30), picture(50)], [40, 120, 40]), ".gif")
    assert film.seconds == pytest.approx(0.2)
    assert left_edges(film) == [10, 30, 30, 30, 50]


def test_a_rate_of_ones_own_samples_the_film(tmp_path: Path) -> None:
    path = write_film(tmp_path / "buoy.mp4", [picture(left) for left in LEFT])
    film = parse_film(path.read_bytes(), ".mp4", frame_rate=12.5)
    assert left_edges(film) == pytest.approx(LEFT[::2], abs=1)


def test_frames_are_reduced_to_the_resolution() -> None:
    film = parse_film(animated("GIF", [picture(10), picture(30)]), ".gif", resolution=80)
    assert film.frames[0].shape == (60, 80)
    assert film.scale == (2.0, 2.0)


def test_a_long_film_is_thinned_and_says_so(tmp_path: Path) -> None:
    path = write_film(tmp_path / "buoy.mp4", [picture(left) for left in LEFT])
    film = parse_film(path.read_bytes(), ".mp4", limits=Limits(frames=5))
    assert len(film.frames) == 5
    assert film.warnings == ("20 frames are more than 5, so 6.25 of a second are drawn, not 25",)


def test_a_film_that_would_be_too_slow_then_is_refused_with_the_mend(tmp_path: Path) -> None:
    path = write_film(tmp_path / "buoy.mp4", [picture(left) for left in LEFT])
    with pytest.raises(DrawingError, match=r"Set frame_rate to 3\.71 or less, cut the film, or raise limits\.frames"):
        parse_film(path.read_bytes(), ".mp4", limits=Limits(frames=3))


def test_progress_is_told_in_seconds(tmp_path: Path) -> None:
    told: list[str] = []
    path = write_film(tmp_path / "buoy.mp4", [picture(40)] * 60)
    parse_film(path.read_bytes(), ".mp4", progress=told.append)
    assert told == ["film, 0 of 2 s", "film, 1 of 2 s", "film, 2 of 2 s"]


def test_only_an_animated_png_is_a_film() -> None:
    assert is_film(".png", animated("PNG", [picture(10), picture(30)]))
    assert not is_film(".png", animated("PNG", [picture(10)]))
    assert not is_film(".jpg", b"")


def test_a_film_that_is_cut_off_is_drawn_as_far_as_it_goes_or_refused(tmp_path: Path) -> None:
    noise = np.random.default_rng(0).integers(0, 255, (10, HIGH, WIDE), np.uint8)
    whole = write_film(tmp_path / "buoy.mkv", list(noise)).read_bytes()
    film = parse_film(whole[: len(whole) * 2 // 3], ".mkv")
    assert 1 <= len(film.frames) < 10
    with pytest.raises(DrawingError, match=r"cannot be read|holds no picture"):
        parse_film(whole[:200], ".mkv")


def test_too_large_a_film_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    path = write_film(tmp_path / "buoy.mp4", [picture(40)] * 3)
    with pytest.raises(DrawingError, match="claims 160 x 120 pixels; at most 10,000"):
        parse_film(path.read_bytes(), ".mp4", limits=Limits(pixels=10_000))


PLAYLIST = b"ffconcat version 1.0\nfile '/etc/passwd'\n"
STREAM = b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n"


@pytest.mark.parametrize("ending", [".mp4", ".mkv", ".webm", ".gif", ".webp"])
@pytest.mark.parametrize("content", [PLAYLIST, STREAM, b"\x00" * 64, b"RIFF\x10\x00\x00\x00WEBPVP8 "])
def test_what_is_no_film_is_refused_and_lists_of_files_are_not_followed(ending: str, content: bytes) -> None:
    with pytest.raises(DrawingError):
        parse_film(content, ending)


@given(st.integers(0, 2000), st.integers(1, 60), st.binary(min_size=1, max_size=60))
@settings(max_examples=25, deadline=None)
def test_a_damaged_animation_is_read_or_refused(at: int, gap: int, patch: bytes) -> None:
    whole = animated("GIF", [picture(left) for left in LEFT[:4]])
    damaged = whole[:at] + patch + whole[at + gap :]
    with suppress(DrawingError):
        assert parse_film(damaged, ".gif", limits=Limits(pixels=1_000_000)).frames
