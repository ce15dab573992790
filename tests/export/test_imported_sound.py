"""Stills of sound files from elsewhere."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pygame
import pytest
import soundfile

from instrument.export.imported_sound import is_sound, open_sound, still_of_file
from instrument.export.sound import ExportError

SIZE = 200


def written(path: Path, channels: npt.NDArray[np.float64], rate: int = 44_100, **form: str) -> Path:
    soundfile.write(path, channels, rate, **form)
    return path


def circle(seconds: float, rate: int, radius: float = 0.5) -> npt.NDArray[np.float64]:
    turn = 2 * np.pi * 200 * np.arange(round(seconds * rate)) / rate
    return np.column_stack((radius * np.cos(turn), radius * np.sin(turn)))


def light(path: Path) -> npt.NDArray[np.int64]:
    pixels = pygame.surfarray.array3d(pygame.image.load(path)).swapaxes(0, 1)
    return np.asarray(np.asarray(pixels, np.int64).sum(axis=2))


def ring(path: Path) -> npt.NDArray[np.float64]:
    """Distances from the middle of the bright pixels, in sample values."""
    shown = light(path)
    rows, columns = np.nonzero(shown > 0.5 * shown.max())
    middle, unit = (SIZE - 1) / 2, SIZE / 2 / 1.06
    return np.asarray(np.hypot(rows - middle, columns - middle) / unit)


@pytest.mark.parametrize("name", ["x.wav", "x.flac", "x.aiff", "x.ogg", "x.w64", "x.au", "X.WAV"])
@pytest.mark.parametrize("rate", [22_050, 96_000])
def test_any_format_and_rate_shows_its_figure(tmp_path: Path, name: str, rate: int) -> None:
    sound, out = written(tmp_path / name, circle(1.0, rate), rate), tmp_path / "x.png"
    said = still_of_file(sound, out, None, SIZE, 0.5, [])
    assert f"{rate} Hz" in said
    assert ring(out) == pytest.approx(0.5, abs=0.05)


def test_what_a_coupling_does_has_settled_however_short_the_exposure(tmp_path: Path) -> None:
    # Behind a capacitor a circle off the middle comes to lie in the middle, which takes a while.
    sound, out = written(tmp_path / "x.wav", 0.4 + circle(2.0, 48_000, 0.4), 48_000), tmp_path / "x.png"
    still_of_file(sound, out, None, SIZE, 0.02, ["coupling=2"])
    assert ring(out) == pytest.approx(0.4, abs=0.05)


def test_one_channel_draws_a_diagonal_and_says_so(tmp_path: Path) -> None:
    sound, out = written(tmp_path / "x.wav", circle(0.5, 44_100)[:, 0]), tmp_path / "x.png"
    assert "diagonal" in still_of_file(sound, out, None, SIZE, 0.5, [])
    shown = light(out)
    shown[:70] = shown[130:] = 0  # away from its bright ends
    rows, columns = np.nonzero(shown > 0.7 * shown.max())
    assert len(rows) > 50
    assert np.abs(rows + columns - SIZE + 1).max() <= 3


def test_more_channels_show_the_first_two_and_say_so(tmp_path: Path) -> None:
    four = np.column_stack((circle(0.5, 44_100), 0.9 * np.ones((22_050, 2))))
    sound, out = written(tmp_path / "x.wav", four), tmp_path / "x.png"
    assert "first two of 4 channels" in still_of_file(sound, out, None, SIZE, 0.5, [])
    assert ring(out) == pytest.approx(0.5, abs=0.05)


def test_exposure_and_end_choose_what_is_seen(tmp_path: Path) -> None:
    both = np.concatenate((circle(1.0, 44_100, 0.3), circle(1.0, 44_100, 0.8)))
    sound, out = written(tmp_path / "x.wav", both), tmp_path / "x.png"
    still_of_file(sound, out, None, SIZE, 0.5, [])
    assert ring(out) == pytest.approx(0.8, abs=0.05)
    still_of_file(sound, out, 1.0, SIZE, 0.5, [])
    assert ring(out) == pytest.approx(0.3, abs=0.05)
    still_of_file(sound, out, None, SIZE, 2.0, [])
    radii = ring(out)
    assert (radii < 0.4).any()
    assert (radii > 0.7).any()


def test_afterglow_of_what_came_before_the_exposure_is_in_the_picture(tmp_path: Path) -> None:
    both = np.concatenate((circle(1.0, 44_100, 0.3), circle(0.1, 44_100, 0.8)))
    sound = written(tmp_path / "x.wav", both)
    inner = []
    for name in ("P31", "P7"):
        out = tmp_path / f"{name}.png"
        still_of_file(sound, out, None, SIZE, 0.05, [name])
        rows, columns = np.indices((SIZE, SIZE)) - (SIZE - 1) / 2
        at = np.abs(np.hypot(rows, columns) - 0.3 * SIZE / 2 / 1.06) < 1.5
        inner.append(light(out)[at].mean())
    assert inner[1] > 60 + inner[0]


def test_an_exposure_longer_than_the_sound_shows_all_of_it(tmp_path: Path) -> None:
    sound, out = written(tmp_path / "x.wav", circle(0.1, 44_100)), tmp_path / "x.png"
    still_of_file(sound, out, None, SIZE, 100.0, [])
    assert ring(out) == pytest.approx(0.5, abs=0.05)


def test_settings_reach_the_picture(tmp_path: Path) -> None:
    out = tmp_path / "x.png"
    still_of_file(written(tmp_path / "x.wav", circle(0.1, 44_100)), out, None, SIZE, 1.0, ["glass=5:4"])
    assert light(out).shape == (SIZE, 250)


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "cannot be read as sound"), (b"not sound at all" * 50, "save it as .wav or .flac")],
)
def test_a_file_that_is_no_sound_is_named(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "x.wav"
    path.write_bytes(content)
    with pytest.raises(ExportError, match=said):
        open_sound(path)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match=r"nowhere\.wav: there is no such file"):
        open_sound(tmp_path / "nowhere.wav")


def test_a_sound_without_samples_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="holds no sound"):
        open_sound(written(tmp_path / "x.wav", np.zeros((0, 2))))


def test_a_sound_does_not_become_another_sound(tmp_path: Path) -> None:
    sound = written(tmp_path / "x.wav", circle(0.1, 44_100))
    with pytest.raises(ExportError, match=r"becomes a picture or a film; name a \.png"):
        still_of_file(sound, tmp_path / "y.wav", None, SIZE, 1.0, [])


def test_numbers_that_are_not_finite_do_no_harm(tmp_path: Path) -> None:
    channels = circle(0.5, 44_100)
    channels[100:200] = np.nan
    channels[300] = np.inf
    sound, out = written(tmp_path / "x.wav", channels, subtype="FLOAT"), tmp_path / "x.png"
    still_of_file(sound, out, None, SIZE, 0.5, [])
    assert ring(out) == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize(("name", "sound"), [("a.wav", True), ("a.FLAC", True), ("a.toml", False), ("a", False)])
def test_a_sound_is_known_by_its_ending(name: str, sound: bool) -> None:
    assert is_sound(Path(name)) is sound
