"""Takes rendered again: at their own rate, at another, after somebody has been at them."""

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from instrument.engine.engine import midi_event, set_event
from instrument.engine.memory.layout import RING_MIDI
from instrument.export.rendering import Rendering, export_take, render
from instrument.export.sound import ExportError
from instrument.takes.replay import open_take
from instrument.takes.take_folder import METADATA, TakeError, read_metadata
from tests.export.films import pictures_in, sound_in
from tests.takes.playing import studio


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("takes")
    with studio(folder) as playing:
        playing.load("buoy")
        playing.play(3000)
        take = playing.begin()
        for k in range(4):
            playing.engine.push(midi_event(playing.engine.time + 9, 0xB0, 1, 30 * k), RING_MIDI)
            playing.engine.push(set_event(0, "layer.2.level", 0.1 * k))
            playing.play(1500)
        playing.load("moth", z=0.1)
        playing.play(1500)
        playing.stop()
    return take


@pytest.fixture
def take(recorded: Path, tmp_path: Path) -> Path:
    """A copy that may be damaged."""
    return Path(shutil.copytree(recorded, tmp_path / "take"))


def test_the_file_rendered_again_is_the_recorded_file(take: Path, tmp_path: Path) -> None:
    said = export_take(take, tmp_path / "again.wav", block=77)
    assert (tmp_path / "again.wav").read_bytes() == (take / "sound.wav").read_bytes()
    assert "the same bytes as the recording" in said[-1]


def test_the_folder_can_be_anywhere_and_needs_nothing_else(take: Path, tmp_path: Path) -> None:
    moved = take.rename(tmp_path / "else where")
    assert "the same bytes" in export_take(moved / METADATA, tmp_path / "again.flac")[-1]


@pytest.mark.parametrize("rate", [96_000, 44_100])
def test_another_rate_plays_the_same_performance(rate: int, take: Path, tmp_path: Path) -> None:
    said = export_take(take, tmp_path / "high.wav", rate=rate)
    assert f"rendered anew at {rate} Hz" in said[-1]
    high, found_rate = soundfile.read(tmp_path / "high.wav")
    low, _ = soundfile.read(take / "sound.wav")
    assert found_rate == rate
    assert len(high) == len(low) * rate // 48_000
    # The same picture at the same moment, as far as ramps and filters of other lengths in samples allow.
    places = np.arange(0, len(low) - 1, 48)
    there = np.interp(places / 48_000, np.arange(len(high)) / rate, high[:, 0])
    assert np.sqrt(np.mean((there - low[places, 0]) ** 2)) < 0.05 * np.sqrt(np.mean(low[:, 0] ** 2))


def test_nothing_is_written_over(take: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.wav").write_text("mine")
    with pytest.raises(ExportError, match="already; give another name"):
        export_take(take, tmp_path / "mine.wav")
    with pytest.raises(ExportError, match="already; give another name"):
        export_take(take, take / "sound.wav")
    assert (tmp_path / "mine.wav").read_text() == "mine"


def test_a_still_of_a_take(take: Path, tmp_path: Path) -> None:
    said = render(Rendering(take, tmp_path / "end.png", size=64))
    assert (tmp_path / "end.png").read_bytes().startswith(b"\x89PNG")
    assert "the same bytes as the recording" in said[-1]


def test_settings_are_for_patches(take: Path, tmp_path: Path) -> None:
    with pytest.raises(TakeError, match="rendered as it was played"):
        render(Rendering(take, tmp_path / "x.wav", settings=("layer.1.level=1",)))


def test_a_changed_performance_is_rendered_as_it_is_now_and_the_difference_is_placed(
    take: Path, tmp_path: Path
) -> None:
    path = take / "performance.mid"
    data = path.read_bytes()
    at = data.index(bytes([0xB0, 1, 60]))
    path.write_bytes(data[: at + 2] + bytes([61]) + data[at + 3 :])
    said = export_take(take, tmp_path / "again.wav")
    assert "performance.mid: this was changed after the recording" in said[0]
    # The third message comes 9 samples after two pieces of 1,500, and its ramp begins with the sample itself.
    assert "not the same bytes as the recording from sample 3009 (0.063 s) on" in said[-1]


def test_another_version_is_named_where_the_bytes_differ(take: Path, tmp_path: Path) -> None:
    text = (take / METADATA).read_text()
    metadata = read_metadata(take)
    text = text.replace(metadata.sound_sha256, "0" * 64).replace(metadata.versions["engine"], "another")
    (take / METADATA).write_text(text)
    assert "recorded with engine another" in export_take(take, tmp_path / "again.wav")[-1]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"programs/0000/buoy.toml"', '"../../etc/passwd"', "leads out of the take's folder"),
        ('"programs/0000/buoy.toml"', '"/etc/passwd"', "leads out of the take's folder"),
        ('"programs/0000/buoy.toml"', '"programs/0000/gone.toml"', "cannot be read"),
        ("number = 1", "number = 7", "does not hold program 1"),
        ("number = 1", "number = 0", "a number is given twice"),
        ("rate = 48000", "rate = 0", "rate: Input should be greater than or equal to 1"),
        ("rate = 48000", "rate = 4000000000", "rate: Input should be less than or equal to"),
        ("frames = 7500", "frames = 75000000000000", "longer than any take"),
        ("frames = 7500", "frames = 7400", "the sound has 7500 frames, take.toml says 7400"),
        ("begins_at = 3000", "begins_at = -1", "begins_at"),
        ("schema = 1", "schema = 2", "reads up to 1"),
        ("schema = 1", "schema = ", "not TOML"),
    ],
)
def test_a_tampered_take_is_a_plain_error(old: str, new: str, said: str, take: Path, tmp_path: Path) -> None:
    text = (take / METADATA).read_text()
    assert old in text
    (take / METADATA).write_text(text.replace(old, new))
    with pytest.raises(TakeError) as refusal:
        export_take(take, tmp_path / "again.wav")
    assert said in str(refusal.value)
    assert not (tmp_path / "again.wav").exists()


@pytest.mark.parametrize("name", ["performance.mid", "before.mid", "programs/0000/as-played.npz"])
@pytest.mark.parametrize("how", ["gone", "cut", "noise"])
def test_a_damaged_part_is_named(name: str, how: str, take: Path, tmp_path: Path) -> None:
    path = take / name
    data = path.read_bytes()
    if how == "gone":
        path.unlink()
    else:
        path.write_bytes(data[: len(data) // 2] if how == "cut" else bytes(range(256)) * 4)
    with pytest.raises(TakeError, match=path.name):
        export_take(take, tmp_path / "again.wav")


def test_a_link_out_of_the_folder_is_not_followed(take: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.toml").write_text("schema = 1\n")
    (take / "programs" / "0000" / "buoy.toml").unlink()
    (take / "programs" / "0000" / "buoy.toml").symlink_to(tmp_path / "secret.toml")
    with pytest.raises(TakeError, match="leads out of the take's folder"):
        export_take(take, tmp_path / "again.wav")


def test_a_folder_that_is_no_take_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(TakeError, match="there is no such file; name the folder of a take"):
        open_take(tmp_path)


def test_the_sound_may_be_left_out(take: Path, tmp_path: Path) -> None:
    (take / "sound.wav").unlink()
    assert "the same bytes as the recording" in export_take(take, tmp_path / "again.wav")[-1]


def test_a_film_of_a_take_holds_the_sound_that_was_recorded(recorded: Path, tmp_path: Path) -> None:
    film = tmp_path / "film.mkv"
    said = render(Rendering(recorded, film, size=32, fps="50", tags={"artist": "the harbour watch"}))
    played, rate = soundfile.read(recorded / "sound.wav", always_2d=True)
    expected = np.clip(np.rint(played * 2**23), -(2**23), 2**23 - 1)
    np.testing.assert_array_equal(sound_in(film)[1] >> 8, expected)
    assert len(pictures_in(film)[0]) == -(-len(played) * 50 // rate)
    assert "the same bytes as the recording" in said[-1]
    with pytest.raises(ValueError, match="something of this name already"):
        render(Rendering(recorded, film))
