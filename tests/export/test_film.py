"""Films: the sound as it was, the picture on its sample, and nothing ever overwritten or left half done."""

import dataclasses
import errno
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from instrument.export.film import FilmOptions, is_film, parse_frame_rate, write_film
from instrument.export.sound import ExportError, publish_new
from tests.export.films import RATE, SMALL, RawSamples, noise, opened, pictures_in, shot, sound_in

TELEVISION = Fraction(30000, 1001)


@pytest.mark.parametrize("rate", [48_000, 192_000])
def test_the_sound_of_an_mkv_is_every_sample_rounded_to_24_bits(rate: int, tmp_path: Path) -> None:
    sound = noise(0.3, rate)
    sound[5], sound[6] = 1.0, -1.0
    said = shot(tmp_path / "film.mkv", sound, rate)
    begins, found = sound_in(tmp_path / "film.mkv")
    # Full scale of 24 bits is one step short of 1 (RFC 9639: samples are signed integers in two's complement).
    expected = np.clip(np.rint(sound.astype(np.float64) * 2**23), -(2**23), 2**23 - 1)
    assert begins == 0
    np.testing.assert_array_equal(found >> 8, expected)
    assert said == [
        f"{tmp_path / 'film.mkv'}: 2 samples at or beyond full scale were clipped to the most that 24 bits hold."
    ]


@pytest.mark.parametrize("kind", ["mkv", "mp4"])
@pytest.mark.parametrize(("rate", "frame_rate"), [(48_000, Fraction(60)), (192_000, TELEVISION)])
def test_what_lights_up_at_a_sample_is_first_seen_in_the_frame_that_holds_it(
    kind: str, rate: int, frame_rate: Fraction, tmp_path: Path
) -> None:
    for frame, late in ((5, 1), (6, -rate // 5000)):
        jump = round(frame * rate / frame_rate) + late
        sound = np.full((round(0.3 * rate), 2), -0.7, np.float32)
        sound[jump:] = 0.7
        path = tmp_path / f"{frame}.{kind}"
        shot(path, sound, rate, dataclasses.replace(SMALL, frame_rate=frame_rate))
        times, frames = pictures_in(path)
        lit = frames[:, :14, -14:].max(axis=(1, 2, 3)) > 60
        first = times[int(np.argmax(lit))]
        assert lit.any()
        # Matroska counts in whole milliseconds.
        shown = (first - Fraction(1, 1000), first + 1 / frame_rate + Fraction(1, 1000))
        assert shown[0] <= Fraction(jump, rate) <= shown[1]
        assert int(np.argmax(lit)) == Fraction(jump, rate) * frame_rate // 1


@pytest.mark.parametrize("rate", [44_100, 48_000, 192_000])
def test_the_sound_of_an_mp4_is_lossy_but_on_time_and_says_so(rate: int, tmp_path: Path) -> None:
    slow = noise(0.5, 8000)
    sound = np.repeat(slow, rate // 8000, axis=0)[: rate // 2]
    said = shot(tmp_path / "film.mp4", 0.5 * sound, rate)
    begins, found = sound_in(tmp_path / "film.mp4")
    with opened(tmp_path / "film.mp4") as container:
        other = container.streams.audio[0].rate
        assert "no longer draws cleanly on a real tube" in container.metadata["comment"]
    assert "no longer draws cleanly on a real tube" in said[0]
    assert (f"at {other} Hz" in said[0]) == (other != rate) == (rate == 192_000)
    place = np.arange(len(found)) * rate / other
    heard = np.interp(np.arange(len(sound)), place, found[:, 0])
    reach = 1 << (2 * len(sound)).bit_length()
    likeness = np.fft.irfft(np.fft.rfft(heard, reach) * np.conj(np.fft.rfft(sound[:, 0], reach)), reach)
    late = (int(np.argmax(likeness)) + reach // 2) % reach - reach // 2
    assert abs(float(begins) + late / rate) < 0.0005


@pytest.mark.parametrize("kind", ["mkv", "mp4"])
@pytest.mark.parametrize("frame_rate", ["24", "29.97", "50"])
def test_frames_have_their_times_without_drift_and_the_container_its_length(
    kind: str, frame_rate: str, tmp_path: Path
) -> None:
    exact = parse_frame_rate(frame_rate)
    path = tmp_path / f"film.{kind}"
    shot(path, noise(1.5), options=dataclasses.replace(SMALL, size=16, frame_rate=exact))
    times, frames = pictures_in(path)
    count = -(-3 * exact // 2)
    assert frames.shape == (count, 16, 16, 3)
    # Matroska counts in whole milliseconds, each rounded by itself.
    off = max(abs(time - k / exact) for k, time in enumerate(times))
    assert off <= (Fraction(1, 2000) if kind == "mkv" else 0)
    with opened(path) as container:
        assert container.duration is not None
        assert container.duration / 1e6 == pytest.approx(float(count / exact), abs=0.002)
        assert container.streams.video[0].average_rate == exact


def test_tags_are_there_for_every_player(tmp_path: Path) -> None:
    tags = {"title": "Low tide", "artist": "the harbour watch", "date": "2031-05-04"}
    for kind in ("mkv", "mp4"):
        shot(tmp_path / f"film.{kind}", noise(0.1), tags=tags)
        with opened(tmp_path / f"film.{kind}") as container:
            found = {name.lower(): text for name, text in container.metadata.items()}
        assert {name: found[name] for name in tags} == tags


def test_the_same_film_is_the_same_bytes(tmp_path: Path) -> None:
    for kind in ("mkv", "mp4"):
        films = [tmp_path / f"{k}.{kind}" for k in range(2)]
        for path in films:
            shot(path, noise(0.1))
        assert films[0].read_bytes() == films[1].read_bytes()


def test_a_sound_shorter_than_a_frame_is_a_film_of_one(tmp_path: Path) -> None:
    shot(tmp_path / "film.mkv", noise(1 / RATE))
    assert len(pictures_in(tmp_path / "film.mkv")[0]) == 1
    assert len(sound_in(tmp_path / "film.mkv")[1]) == 1


@pytest.mark.parametrize(
    ("size", "glass", "expected", "said"),
    [(64, "square", (64, 64), ""), (65, "square", (66, 66), "65 x 65"), (65, "5:4", (82, 66), "81 x 65")],
)
def test_sizes_that_h264_does_not_take_get_a_dark_edge(
    size: int, glass: str, expected: tuple[int, int], said: str, tmp_path: Path
) -> None:
    options = dataclasses.replace(SMALL, size=size, look=SMALL.look.with_setting("glass", glass))
    words = shot(tmp_path / "film.mkv", 0.5 * noise(0.1), options=options)
    frames = pictures_in(tmp_path / "film.mkv")[1]
    assert frames.shape[2:0:-1] == expected
    assert (said in words[0]) if said else not words


def test_colours_are_coded_as_high_definition_television_does(tmp_path: Path) -> None:
    red, green, blue = 0.6, 0.3, 0.1
    look = SMALL.look.with_setting("background", [red, green, blue])
    path = tmp_path / "film.mkv"
    shot(path, np.full((4800, 2), 9.0, np.float32), options=dataclasses.replace(SMALL, size=32, look=look))
    with opened(path) as container:
        planes = [frame.to_ndarray() for frame in container.decode(video=0)][-1]
        assert container.streams.video[0].codec_context.colorspace == 1  # BT.709 in ITU-T H.273, table 4
    # ITU-R BT.709-6, 3.2 to 3.4: luma, differences, and their whole numbers of 8 bits.
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    expected = (
        16 + 219 * luma,
        128 + 224 * (blue - luma) / 1.8556,
        128 + 224 * (red - luma) / 1.5748,
    )
    found = (planes[:32], planes[32:40], planes[40:])
    for plane, value in zip(found, expected, strict=True):
        assert np.abs(plane - value).max() < 1.5


def test_progress_goes_from_nothing_to_everything(tmp_path: Path) -> None:
    told: list[float] = []
    shot(tmp_path / "film.mkv", noise(0.5), progress=told.append)
    assert told == sorted(told)
    assert 0 < told[0] < 0.05
    assert told[-1] == 1.0


@pytest.mark.parametrize(
    ("name", "rate", "options", "words"),
    [
        ("film.mkv", 96_001, SMALL, "FLAC cannot hold 96001 Hz; use 96000"),
        ("film.mkv", 48_000.5, SMALL, "48000.5 Hz is not the sample rate of a film"),
        ("film.mp4", 10, SMALL, "10 Hz is not the sample rate"),
        ("film.mkv", RATE, FilmOptions(8), "use --size 16 to 4096"),
        ("film.mkv", RATE, FilmOptions(8000), "a film 8000 pixels high is not possible"),
        ("nowhere/film.mkv", RATE, SMALL, "name a folder"),
    ],
)
def test_what_cannot_be_is_refused_in_words(
    name: str, rate: int, options: FilmOptions, words: str, tmp_path: Path
) -> None:
    with pytest.raises(ExportError, match=words):
        shot(tmp_path / name, noise(0.01), rate, options)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("text", ["", "0", "0.5", "-30", "1e3", "500", "fast", "nan", "30/0", "1/", "9" * 40])
def test_a_pace_that_cannot_be_is_refused(text: str) -> None:
    with pytest.raises(ExportError, match="1 to 240 frames a second"):
        parse_frame_rate(text)


def test_nothing_is_overwritten_whenever_it_came(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    path.write_text("mine")
    with pytest.raises(ExportError, match="something of this name already"):
        shot(path, noise(0.01))
    other = tmp_path / "other.mkv"

    def meanwhile() -> Iterator[RawSamples]:
        other.write_text("mine, too")
        yield noise(0.01)

    with pytest.raises(ExportError, match="something of this name already"):
        write_film(other, RATE, meanwhile(), 480, SMALL)
    assert (path.read_text(), other.read_text()) == ("mine", "mine, too")
    assert sorted(tmp_path.iterdir()) == [path, other]


def test_a_file_system_without_links_keeps_what_is_there_as_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.EPERM, "no links here")

    monkeypatch.setattr(Path, "hardlink_to", refuse)
    part, path = tmp_path / "part", tmp_path / "film.mkv"
    part.write_text("new")
    publish_new(part, path)
    assert path.read_text() == "new"
    part.write_text("newer")
    with pytest.raises(ExportError, match="something of this name already"):
        publish_new(part, path)
    assert path.read_text() == "new"


@pytest.mark.parametrize(
    ("failure", "raised", "words"),
    [
        (
            OSError(errno.ENOSPC, "No space left on device"),
            ExportError,
            "the disk is full; nothing was left on it",
        ),
        (OSError(errno.EIO, "Input/output error"), ExportError, "cannot be written"),
        (KeyboardInterrupt("Ctrl-C"), KeyboardInterrupt, "Ctrl-C"),
    ],
)
def test_what_breaks_off_leaves_nothing_behind(
    failure: BaseException, raised: type[BaseException], words: str, tmp_path: Path
) -> None:
    def tell(share: float) -> None:
        if share > 0.5:
            assert [path.suffix for path in tmp_path.iterdir()] == [".part"]
            raise failure

    with pytest.raises(raised, match=words):
        shot(tmp_path / "film.mkv", noise(0.5), progress=tell)
    assert not list(tmp_path.iterdir())


def test_endings_of_films() -> None:
    assert [is_film(Path(name)) for name in ("a.mkv", "a.MP4", "a.wav")] == [True, True, False]
