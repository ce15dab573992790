"""The table and the picture of a measurement."""

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from rich.console import Console

from instrument.measure.measurement import Measurement, measure_seconds
from instrument.measure.measurement_report import draw_report, screen_at_end, table_of
from instrument.measure.sound_reader import SoundError, seconds_of
from tests.measure.signals import circle

RATE = 48_000


def measured(samples: np.ndarray, rate: int = RATE) -> Measurement:
    found = measure_seconds(seconds_of(samples, rate), rate, samples.shape[1], len(samples) / rate)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def found() -> Measurement:
    return measured(np.concatenate([circle(100.0, 1.5), np.full((RATE, 2), 0.2)]))


def shown(found: Measurement, width: int = 100) -> str:
    console = Console(width=width, record=True, file=io.StringIO())
    console.print(table_of(found, "x.wav"))
    return console.export_text()


class TestTable:
    def test_it_says_levels_in_decibels_and_shares_in_percent(self, found: Measurement) -> None:
        text = shown(found)
        assert "-0.92, -0.92 dBFS" in text  # 0.9 of full scale
        assert "2.50 s, 120,000 frames" in text
        assert "40.0% of the time, longest 1.00 s" in text
        assert "0 (at most 3)" in text

    def test_warnings_and_cautions_stand_below(self, found: Measurement) -> None:
        text = " ".join(shown(found).split())
        assert text.index("crest factor") < text.index("! Loudness is") < text.index("Local rules")

    def test_what_is_not_there_is_called_none(self) -> None:
        text = shown(measured(np.zeros((RATE, 2))))
        assert "none" in text
        assert "inf" not in text
        assert "nan" not in text


class TestPicture:
    @pytest.mark.parametrize(
        "samples",
        [
            np.concatenate([circle(100.0, 1.5), np.full((RATE, 2), 0.2)]),
            np.full((5, 3), np.nan),
        ],
        ids=["a sound", "nothing finite"],
    )
    def test_any_sound_has_one(self, samples: np.ndarray, tmp_path: Path) -> None:
        path = tmp_path / "x.png"
        draw_report(measured(samples), path, "x.wav")
        with Image.open(path) as image:
            assert image.format == "PNG"
            assert image.width == 1400
            assert image.height >= 900
            # Not an empty page: the text, the lines and the dark screen are there.
            tones = np.asarray(image.convert("L"))
        assert 0.05 < (tones < 128).mean() < 0.6
        assert [entry.name for entry in tmp_path.iterdir()] == ["x.png"]

    def test_the_figure_is_seen_on_its_screen(self, found: Measurement) -> None:
        seen = screen_at_end(found.traces.loudest, RATE, 100)
        assert seen[50, 50] == 0.0
        assert seen[50, 88:97].max() > 0.3

    def test_a_folder_that_is_not_there_is_one_sentence(self, found: Measurement, tmp_path: Path) -> None:
        with pytest.raises(SoundError, match=r"x\.png: there is no such folder; name one that is there"):
            draw_report(found, tmp_path / "no" / "x.png", "x.wav")

    def test_a_file_that_cannot_be_written_is_one_sentence_and_leaves_nothing(
        self, found: Measurement, tmp_path: Path
    ) -> None:
        (tmp_path / "x.png").mkdir()
        with pytest.raises(SoundError, match=r"x\.png: cannot be written .* name a folder with room for it"):
            draw_report(found, tmp_path / "x.png", "x.wav")
        assert [entry.name for entry in tmp_path.iterdir()] == ["x.png"]
