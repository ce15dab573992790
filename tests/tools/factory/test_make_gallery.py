"""Every factory patch's performance is sound, level, legible and free of flashes, and looks as it did."""

from pathlib import Path

import mido
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from instrument.drawings.route_report import points_per_cycle
from instrument.measure.flashes import MOST
from instrument.measure.measurement import measure_seconds
from instrument.measure.sound_reader import Second
from instrument.patch.factory import factory_folder, factory_set, performance_of
from instrument.patch.set_list_file import patches_named
from tools.factory import make_gallery
from tools.factory.make_gallery import FOLDER, RATE, SHEET, picture, play
from tools.factory.make_performances import performance
from tools.factory.make_stills import alike
from tools.factory.scores import SCORES

PATCHES = patches_named(factory_set())

LOUDNESS = (-10.3, -8.3)
"""LUFS within which every performance lies: two loudness units, so that the set needs no hand on the volume."""


def seconds_of(samples: npt.NDArray[np.float32]) -> list[Second]:
    return [Second(samples[k : k + RATE].astype(np.float64), None, RATE) for k in range(0, len(samples), RATE)]


@pytest.mark.parametrize("path", PATCHES, ids=lambda path: path.stem)
def test_the_performance_is_fit_for_the_show(path: Path) -> None:
    played = play(path)
    assert 6 * RATE <= len(played.samples) <= 10 * RATE
    assert np.isfinite(played.samples).all()
    assert 0.5 <= np.abs(played.samples).max() <= 0.95
    measured = measure_seconds(seconds_of(played.samples), RATE, 2, len(played.samples) / RATE)
    assert measured is not None
    assert measured.figures.loudness_lufs is not None
    assert LOUDNESS[0] <= measured.figures.loudness_lufs <= LOUDNESS[1]
    assert measured.figures.flashes_per_second <= MOST
    for layer, corners in played.corners.items():
        assert corners <= points_per_cycle(RATE, played.pens[layer]), f"layer {layer + 1}"
    kept = np.asarray(Image.open(FOLDER / f"{path.stem}.png").convert("RGB"))
    assert alike(picture(path.stem, played.samples), kept)


def test_the_sheet_shows_every_still() -> None:
    sheet = np.asarray(Image.open(SHEET).convert("RGB"), np.int64)
    assert np.abs(sheet - np.asarray(make_gallery.contact_sheet(PATCHES), np.int64)).mean() < 3


def test_every_performance_is_what_its_maker_makes(tmp_path: Path) -> None:
    assert set(SCORES) == {path.stem for path in PATCHES}
    for path in PATCHES:
        performance(path.stem).save(tmp_path / "made.mid")
        kept = performance_of(path)
        assert kept is not None
        assert kept.read_bytes() == (tmp_path / "made.mid").read_bytes(), path.stem


def test_every_performance_turns_knobs_and_ends_its_notes() -> None:
    for name in SCORES:
        messages = list(mido.MidiFile(factory_folder() / f"{name}.mid"))
        assert any(message.type == "control_change" and message.control in range(1, 9) for message in messages)
        held = [message.note for message in messages if message.type == "note_on"]
        assert sorted(held) == sorted(message.note for message in messages if message.type == "note_off")
