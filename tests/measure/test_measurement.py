"""All figures of a sound together, in one pass over a file."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from instrument.measure.cautions import CAUTIONS, warnings_for
from instrument.measure.measurement import Figures, Measurement, measure_seconds, measure_sound
from instrument.measure.sound_reader import SoundError, seconds_of
from tests.measure.signals import Floats, both, circle, sine

RATE = 48_000

PROMISED = {
    "rate", "frames", "peak", "rms", "dc", "crest_db", "loudness_lufs", "correlation", "flashes_per_second",
    "dwell_hotspot", "energy_above_20k", "nonfinite", "warnings",
}  # fmt: skip


def measured(samples: Floats, rate: int = RATE) -> Measurement:
    found = measure_seconds(seconds_of(samples, rate), rate, samples.shape[1], len(samples) / rate)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def calm() -> Figures:
    """Figures that warn of nothing: soft, and as if the small circle were spread over the screen."""
    figures = replace(measured(0.1 * circle(100.0, 1.0)).figures, dwell_hotspot=0.1)
    assert warnings_for(figures) == []
    return figures


def test_a_file_has_every_promised_figure(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, circle(100.0, 1.5), RATE, subtype="FLOAT")
    found = measure_sound(path).as_dict()
    assert found.keys() >= PROMISED
    assert (found["rate"], found["frames"], found["nonfinite"]) == (RATE, 72_000, 0)
    assert found["peak"] == pytest.approx([0.9, 0.9], abs=1e-6)
    assert found["rms"] == pytest.approx([0.9 / np.sqrt(2)] * 2, abs=1e-6)
    assert found["correlation"] == pytest.approx(0.0, abs=1e-6)
    assert found["points_per_cycle"] == pytest.approx(480, abs=0.1)
    assert found["flashes_per_second"] == 0


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros((RATE, 2)),
        np.full((RATE, 2), np.nan),
        np.full((10, 2), 3.4e38),
        np.zeros((1, 1)),
        np.full((RATE + 1, 3), -np.inf),
        np.random.default_rng(0).choice([np.nan, 1e38, -1.0, 0.0, 1e-320], (5000, 2)),
    ],
    ids=["silence", "nan", "enormous", "one sample", "three channels of inf", "everything"],
)
def test_any_sound_gives_figures_that_json_can_hold(samples: Floats) -> None:
    found = measured(samples)
    json.dumps(found.as_dict(), allow_nan=False)
    for name in ("flash_area", "dwell_hotspot", "resting_time", "jump_time", "energy_above_20k"):
        assert 0 <= getattr(found.figures, name) <= 1, name


def test_silence_has_no_level_in_decibels() -> None:
    figures = measured(np.zeros((RATE, 2))).figures
    assert figures.loudness_lufs is None
    assert figures.true_peak_dbtp is None
    assert figures.crest_db is None
    assert figures.points_per_cycle is None


def test_what_is_not_finite_changes_no_other_figure_much() -> None:
    clean = 0.5 * circle(100.0, 2.0)
    broken = clean.copy()
    broken[RATE // 2, 0] = np.nan
    one, other = measured(clean).figures, measured(broken).figures
    assert other.nonfinite == 1
    assert other.loudness_lufs == pytest.approx(one.loudness_lufs, abs=0.1)
    assert other.dwell_hotspot == pytest.approx(one.dwell_hotspot, abs=0.001)
    assert other.jumps_per_second == 0


def test_the_picture_kept_is_of_the_loudest_second() -> None:
    samples = np.concatenate([0.2 * circle(50.0, 1.0), circle(100.0, 1.0), 0.5 * circle(70.0, 1.0)])
    traces = measured(samples).traces
    assert traces.loudest_at == 1
    assert np.array_equal(traces.loudest, circle(100.0, 1.0).astype(np.float32))


def test_progress_ends_with_all_of_it(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, np.zeros((2500, 2)), 1000)
    told: list[float] = []
    measure_sound(path, told.append)
    assert told == [0.4, 0.8, 1.0]


def test_an_empty_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, np.zeros((0, 2)), RATE)
    with pytest.raises(SoundError, match=r"x\.wav: holds no sound"):
        measure_sound(path)


class TestWarnings:
    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"flashes_per_second": 4, "flash_area": 0.5}, "flashes 4 times within a second over 50%"),
            ({"loudness_lufs": -13.9}, "Loudness is -13.9 LUFS, 9 LU above broadcast"),
            ({"true_peak_dbtp": -0.9}, "True peak is -0.9 dBTP, above the -1 dBTP"),
            ({"dc_second": [0.0, 0.02]}, "Channel 2 holds a direct voltage of 2.0% of full scale (-34 dB)"),
            ({"dwell_hotspot": 0.51}, "51% of the light falls on 1% of the screen"),
            ({"longest_rest": 1.5}, "stands still for 1.5 s"),
            ({"energy_above_20k": 0.011}, "1.1% of the energy lies above 20 kHz"),
            ({"energy_above_045": 0.02}, "2.0% of the energy lies above 21.6 kHz"),
            ({"nonfinite": 1234}, "1,234 samples are not finite"),
            ({"channels": 1}, "There is one channel"),
            ({"channels": 3}, "There are 3 channels; loudness and picture are those of the first two"),
            ({"channels": 6}, "surround"),
            ({"rate": 4000}, "At 4000 Hz loudness is not defined"),
        ],
        ids=lambda value: value if isinstance(value, str) else None,
    )
    def test_a_figure_past_its_limit_is_one_sentence(
        self, calm: Figures, change: dict[str, object], words: str
    ) -> None:
        (said,) = warnings_for(replace(calm, **change))  # type: ignore[arg-type]
        assert words in said
        assert said.endswith(".")

    @pytest.mark.parametrize(
        "change",
        [
            {"flashes_per_second": 3, "flash_area": 1.0},
            {"loudness_lufs": -14.1},
            {"true_peak_dbtp": -1.1},
            {"dc_second": [0.009, 0.0]},
            {"dwell_hotspot": 0.49},
            {"longest_rest": 0.9},
            {"energy_above_20k": 0.009},
        ],
    )
    def test_a_figure_within_its_limit_is_none(self, calm: Figures, change: dict[str, object]) -> None:
        assert warnings_for(replace(calm, **change)) == []  # type: ignore[arg-type]

    def test_the_gravest_comes_first(self, calm: Figures) -> None:
        said = warnings_for(replace(calm, flashes_per_second=9, loudness_lufs=0.0, nonfinite=3))
        assert [line.split()[0] for line in said] == ["The", "Loudness", "3"]

    def test_cautions_defer_to_local_codes_and_licensed_people(self) -> None:
        said = " ".join(CAUTIONS)
        for words in ("codes where you are", "Local rules", "licensed"):
            assert words in said

    def test_a_sound_on_one_channel_is_said_to_be_a_line(self) -> None:
        found = measured(0.1 * sine(100.0, 1.0)[:, None])
        assert any("slanted line" in line for line in found.warnings)
        assert found.figures.correlation is None

    def test_a_loud_sound_off_centre_is_warned_of_in_fact(self) -> None:
        said = measured(both(0.6 * sine(1000.0, 2.0)) + np.array([0.0, 0.3])).warnings
        assert any(line.startswith("Loudness is -4.") for line in said)
        assert any(line.startswith("Channel 2 holds a direct voltage of 30.0%") for line in said)
