"""`beamhand measure` tells what a sound does to ears, eyes, tubes and loudspeakers."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from PIL import Image

from tests.commands import Run, beamhand

RATE = 48_000

PROMISED = {
    "rate", "frames", "peak", "rms", "dc", "crest_db", "loudness_lufs", "correlation", "flashes_per_second",
    "dwell_hotspot", "energy_above_20k", "nonfinite", "warnings",
}  # fmt: skip


def measure(*arguments: str | Path) -> Run:
    return beamhand("measure", *arguments)


@pytest.fixture
def take(tmp_path: Path) -> Path:
    """A take whose sound is a full-scale sine of 1 kHz on x, its cosine on y."""
    turns = 2 * np.pi * 1000 * np.arange(RATE) / RATE
    folder = tmp_path / "take"
    folder.mkdir()
    samples = np.column_stack((np.sin(turns), np.cos(turns)))
    soundfile.write(folder / "sound.wav", samples, RATE, subtype="FLOAT")
    return folder


def test_json_is_one_object_on_a_line_and_the_picture_is_written(take: Path, tmp_path: Path) -> None:
    run = measure(take, "--json", "-o", tmp_path / "report.png")
    assert run.returncode == 0, run.stderr
    assert run.stdout.count("\n") == 1
    found = json.loads(run.stdout)
    assert found.keys() >= PROMISED | {"file", "true_peak_dbtp", "jumps_per_second", "points_per_cycle"}
    assert found["peak"] == pytest.approx([1.0, 1.0])
    assert found["rms"] == pytest.approx([0.5**0.5] * 2, rel=1e-5)
    assert found["points_per_cycle"] == pytest.approx(48, abs=0.1)
    assert all(line.split(": ", 1)[1] in found["warnings"] for line in run.stderr.splitlines())
    with Image.open(tmp_path / "report.png") as picture:
        assert picture.width == 1400


def test_in_words_the_figures_stand_on_standard_output(take: Path) -> None:
    run = measure(take / "sound.wav")
    assert run.returncode == 0, run.stderr
    assert "-3.01, -3.01 dBFS" in run.stdout
    assert "! Loudness is" in run.stdout
    assert run.stderr == ""


def test_what_cannot_be_read_is_one_sentence_and_status_1(tmp_path: Path) -> None:
    run = measure(tmp_path / "nowhere.wav")
    assert run.returncode == 1
    assert run.stderr.startswith("beamhand: ")
    assert "nowhere.wav: there is no such file" in run.stderr
    assert "Traceback" not in run.stderr


def test_a_report_that_is_no_png_is_wrong_usage(take: Path, tmp_path: Path) -> None:
    run = measure(take, "-o", tmp_path / "report.pdf")
    assert run.returncode == 2
    assert ".png" in run.stderr
