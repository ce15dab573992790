"""What a take has heard is heard again when it is rendered."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from scipy.signal import resample_poly

from instrument.engine.engine import swap_event
from instrument.takes import recorder
from instrument.takes.offline_rendering import RecordedInput
from instrument.takes.replay import open_take, render_take
from instrument.takes.take_folder import read_metadata
from tests.takes.playing import RATE, Studio, studio
from tests.takes.test_recorder import rendered_again, sound_of

HEARING = """schema = 1
[[layer]]
[layer.source]
kind = "input"
gate = 0.01
[[layer.form]]
kind = "delay"
x = 0.01
feedback = [0.5, 0, 0]
[[layer]]
level = 0
[layer.source]
kind = "harmonic"
preset = "circle"
[[modulator]]
name = "loud"
kind = "follower"
[[link]]
modulator = "loud"
parameter = "layer.2.level"
"""
"""Hears its input at once, late, and as a level."""

NOISE = np.random.default_rng(5).uniform(-0.7, 0.7, (12_000, 2)).astype(np.float32)


def hearing(playing: Studio) -> None:
    playing.engine.push(swap_event(0, playing.hold("ear", HEARING)))


def test_a_take_of_the_whole_show_hears_everything_again(tmp_path: Path) -> None:
    with studio(tmp_path) as playing:
        hearing(playing)
        take = playing.begin()
        playing.play(1000, incoming=NOISE[:1000])
        playing.play(700)  # the input is pulled out, and put in again
        playing.play(2000, block=7, incoming=NOISE[1000:3000])
        playing.stop()
    assert (take / "input.wav").exists()
    assert read_metadata(take).exact
    assert sound_of(take).std() > 0.1
    assert rendered_again(take).startswith("the same bytes")


def test_a_take_from_amid_hears_what_came_before_it_too(tmp_path: Path) -> None:
    with studio(tmp_path, keep=0.05) as playing:
        hearing(playing)
        playing.play(3000)
        playing.play(3000, incoming=NOISE[:3000])
        take = playing.begin()
        playing.play(3000, incoming=NOISE[3000:6000])
        kept = playing.keep()
        playing.stop()
    for folder in (take, kept):
        assert read_metadata(folder).begins_at > 3000
        assert read_metadata(folder).exact
        assert rendered_again(folder).startswith("the same bytes")


def test_input_that_is_no_longer_kept_is_admitted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder, "INPUT_SECONDS", 0.02)
    with studio(tmp_path) as playing:
        hearing(playing)
        for k in range(3):
            playing.play(1000, incoming=NOISE[1000 * k : 1000 * (k + 1)])
        take = playing.begin()
        playing.play(500, incoming=NOISE[:500])
        playing.stop()
    (doubt,) = read_metadata(take).doubts
    assert doubt.startswith("of the live input before the take only")


def test_a_show_that_hears_nothing_keeps_no_input(tmp_path: Path) -> None:
    with studio(tmp_path) as playing:
        playing.load("buoy")
        take = playing.begin()
        playing.play(500)
        playing.stop()
    assert not (take / "input.wav").exists()


def test_at_another_rate_the_input_is_resampled(tmp_path: Path) -> None:
    with studio(tmp_path) as playing:
        hearing(playing)
        take = playing.begin()
        for k in range(4):
            playing.play(3000, incoming=NOISE[3000 * k : 3000 * (k + 1)])
        playing.stop()
    high = np.concatenate(list(render_take(open_take(take), 2 * RATE)))
    assert len(high) == 2 * len(NOISE)
    assert high.std() > 0.1


@pytest.mark.parametrize("rate", [96_000, 44_100, 32_000])
def test_pieces_of_resampled_input_are_those_of_the_whole(rate: int, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "x.wav", NOISE, RATE, "FLOAT")
    # scipy.signal.resample_poly of everything at once is the reference.
    common = np.gcd(rate, RATE)
    wanted = resample_poly(NOISE.astype(np.float64), rate // common, RATE // common, axis=0)
    heard = RecordedInput(tmp_path / "x.wav", 0, rate)
    found: list[npt.NDArray[np.float32]] = []
    for count in (1, 999, 64, 3000, len(wanted) - 4064):
        found.append(heard.read(sum(map(len, found)), count))
    heard.close()
    np.testing.assert_allclose(np.concatenate(found), wanted, atol=1e-6)
