"""Files and takes come second by second, and what cannot be measured is said in a sentence."""

import contextlib
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from instrument.measure.sound_reader import (
    MOST_CHANNELS,
    MOST_RATE,
    SoundError,
    SoundReader,
    as_second,
    part_starts,
)
from tests.measure.signals import both, sine


def write(path: Path, frames: int = 2500, rate: int = 1000, channels: int = 2) -> np.ndarray:
    samples = np.random.default_rng(5).uniform(-1, 1, (frames, channels)).astype(np.float32)
    soundfile.write(path, samples, rate, subtype="FLOAT")
    return samples


def refusal(path: Path) -> str:
    with pytest.raises(SoundError) as caught:
        SoundReader(path)
    return str(caught.value)


def test_a_file_comes_in_whole_seconds(tmp_path: Path) -> None:
    wrote = write(tmp_path / "x.wav")
    with SoundReader(tmp_path / "x.wav") as sound:
        assert (sound.rate, sound.channels, sound.frames) == (1000, 2, 2500)
        seconds = list(sound.seconds())
    assert [len(second.samples) for second in seconds] == [1000, 1000, 500]
    assert np.array_equal(np.concatenate([second.samples for second in seconds]), wrote)


@pytest.mark.parametrize("ending", ["wav", "flac", "ogg", "aiff"])
def test_what_libsndfile_reads_is_read(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"x.{ending}"
    soundfile.write(path, 0.5 * both(sine(440.0, 1.0)), 48_000)
    with SoundReader(path) as sound:
        peak = max(np.abs(second.samples).max() for second in sound.seconds())
    assert peak == pytest.approx(0.5, abs=0.02)


def test_a_take_is_a_folder_with_its_sound(tmp_path: Path) -> None:
    write(tmp_path / "sound.wav")
    with SoundReader(tmp_path) as sound:
        assert sound.frames == 2500


def test_a_folder_without_sound_is_no_take(tmp_path: Path) -> None:
    assert "a folder without sound.wav is no take" in refusal(tmp_path)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    assert "nowhere.wav: there is no such file" in refusal(tmp_path / "nowhere.wav")


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    assert "not an ordinary file" in refusal(tmp_path / "pipe.wav")


@pytest.mark.parametrize("name", ["x.wav", "x.raw", "x.txt", "x"])
def test_what_is_no_sound_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"RIFF but nothing of the kind")
    assert "cannot be read as sound" in refusal(tmp_path / name)


def test_rates_and_channels_have_limits(tmp_path: Path) -> None:
    write(tmp_path / "slow.wav", rate=100)
    write(tmp_path / "fast.wav", rate=MOST_RATE + 1)
    write(tmp_path / "wide.wav", channels=MOST_CHANNELS + 1)
    assert "a sample rate of 100 Hz cannot be measured" in refusal(tmp_path / "slow.wav")
    assert f"from 1000 to {MOST_RATE} Hz" in refusal(tmp_path / "fast.wav")
    assert "17 channels are too many" in refusal(tmp_path / "wide.wav")


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_broken_file_is_read_as_far_as_it_goes_or_refused_in_a_sentence(tmp_path: Path, data: st.DataObject) -> None:
    whole = tmp_path / "whole.wav"
    if not whole.exists():
        write(whole, frames=300)
    content = bytearray(whole.read_bytes())
    for _ in range(data.draw(st.integers(0, 4))):
        content[data.draw(st.integers(0, 80))] = data.draw(st.integers(0, 255))
    path = tmp_path / "broken.wav"
    path.write_bytes(content[: data.draw(st.integers(0, len(content)))])
    with contextlib.suppress(SoundError), SoundReader(path) as sound:
        for second in sound.seconds():
            assert len(second.samples) <= sound.rate
            assert np.isfinite(second.samples).all()


def test_what_is_not_finite_is_marked_and_silent() -> None:
    second = as_second([[0.1, np.nan], [np.inf, 0.2], [0.3, -1e300]], 48_000)
    assert second.samples.tolist() == [[0.1, 0.0], [0.0, 0.2], [0.3, 0.0]]
    assert second.bad is not None
    assert second.bad.tolist() == [[False, True], [True, False], [False, True]]
    assert np.isnan(second.beam_path()).all()


def test_one_channel_steers_both_axes() -> None:
    assert as_second([[0.1], [0.2]], 48_000).beam_input().tolist() == [[0.1, 0.1], [0.2, 0.2]]


@given(st.integers(1000, 200_000), st.sampled_from([10, 60]))
def test_parts_of_a_second_are_even_and_complete(rate: int, parts: int) -> None:
    starts = part_starts(rate, parts)
    assert (starts[0], starts[-1]) == (0, rate)
    assert np.ptp(np.diff(starts)) <= 1
