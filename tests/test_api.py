"""The public functions give what the commands give: the same samples, figures and lines."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile
from PIL import Image

from instrument import api
from instrument.drawings.limits import DrawingError
from instrument.export import rendering
from instrument.measure.sound_reader import SoundError
from instrument.patch.patch_errors import PatchError
from tests.commands import beamhand

if TYPE_CHECKING:
    from pathlib import Path

RATE = 48_000
SILENT = 'schema = 1\ntitle = "Slack water"\n'
FLAT = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nv 2 0 0\nv 2 1 0\nf 1 2 3 4\nf 2 5 6 3\n"
SPLIT = "v 0 0 0\nv 1 0 0\nv 0 3 0\nv 1 3 0\nl 1 2\nl 3 4\n"


class TestLoadPatch:
    def test_a_plain_name_is_a_patch_of_the_factory_set(self) -> None:
        assert api.load_patch("lighthouse").path == api.factory_folder() / "lighthouse.toml"

    def test_a_file_is_read_with_its_fields(self, tmp_path: Path) -> None:
        path = tmp_path / "buoy.toml"
        path.write_text(SILENT + "[[layer]]\nlevel = 0.25\n", encoding="utf-8")
        patch = api.load_patch(path)
        assert patch.title == "Slack water"
        assert patch.layer[0].level == 0.25

    def test_a_patch_may_be_written_in_the_notebook(self) -> None:
        assert api.patch_from_text(SILENT).title == "Slack water"

    def test_a_fault_is_named_with_its_mend(self) -> None:
        with pytest.raises(PatchError, match="lighthous"):
            api.load_patch("lighthous.toml")


class TestRender:
    def test_the_samples_are_those_of_the_command(self, tmp_path: Path) -> None:
        path = tmp_path / "circle.wav"
        setting = "layer.1.pen.frequency=A3"
        assert beamhand("render", "circle", "-o", path, "--seconds", "0.25", "--set", setting).returncode == 0
        written, rate = soundfile.read(path, dtype="float32")
        assert rate == RATE
        rendered = api.render("circle", 0.25, values={"layer.1.pen.frequency": "A3"})
        assert rendered.tobytes() == written.tobytes()

    def test_a_performance_is_played_to_its_end_and_as_far_behind_it_as_by_the_command(self, tmp_path: Path) -> None:
        path, score = tmp_path / "bell.wav", api.factory_folder() / "bell.mid"
        assert beamhand("render", "bell", "-o", path, "--perform", score, "--rate", "8000").returncode == 0
        written, _ = soundfile.read(path, dtype="float32")
        assert api.render("bell", rate=8000.0, performance=score).tobytes() == written.tobytes()
        assert (api.SECONDS, api.TAIL_SECONDS) == (rendering.DEFAULT_SECONDS, rendering.TAIL_SECONDS)

    def test_a_loaded_patch_is_not_changed_by_values_that_stand_in(self) -> None:
        patch = api.load_patch("circle")
        before = api.render(patch, 0.05)
        assert not api.render(patch, 0.05, values={"layer.1.level": 0}).any()
        assert api.render(patch, 0.05).tobytes() == before.tobytes()

    def test_what_a_patch_asks_for_stays_finite_and_within_full_scale(self) -> None:
        sound = api.render("circle", 0.05, values={"layer.1.level": "1/0", "layer.1.pen.frequency": math.nan})
        assert np.isfinite(sound).all()
        assert np.abs(sound).max() <= 1.0

    @pytest.mark.parametrize("seconds", [-1.0, math.nan])
    def test_a_length_below_0_is_refused(self, seconds: float) -> None:
        with pytest.raises(ValueError, match="at least 0"):
            api.render("circle", seconds)

    def test_an_address_that_is_not_there_is_refused(self) -> None:
        with pytest.raises(KeyError, match=r"layer\.1\.levle"):
            api.render("circle", 0.01, values={"layer.1.levle": 1.0})


class TestRoute:
    def test_the_figures_are_those_of_the_command(self) -> None:
        drawing = api.factory_folder() / "drawings" / "boat.obj"
        told = json.loads(beamhand("route", drawing, "--json").stdout)
        figures = api.route(drawing).figures
        assert (figures.edges, figures.length, figures.repeated_length) == (
            told["edges"],
            told["length"],
            told["repeated_length"],
        )

    def test_what_a_jump_costs_decides_what_is_drawn_again(self) -> None:
        house = api.factory_folder() / "drawings" / "house.obj"
        retraced, mixed = api.route(house, jump_cost=math.inf).figures, api.route(house, jump_cost=0.1).figures
        assert retraced.repeated_length == pytest.approx(retraced.lower_bound)
        assert mixed.repeated_length < retraced.repeated_length

    def test_only_creases_and_borders_of_a_mesh_are_drawn_where_they_are_asked_for(self, tmp_path: Path) -> None:
        path = tmp_path / "pontoon.obj"
        path.write_text(FLAT, encoding="utf-8")
        assert api.route(path).figures.edges == 7
        assert api.route(path, edges="feature", crease=20.0).figures.edges == 6
        assert api.route(path, points=8).left_out.words

    def test_a_drawing_that_is_refused_is_named(self, tmp_path: Path) -> None:
        path = tmp_path / "tide.obj"
        path.write_text("v 0 0 zero\n", encoding="utf-8")
        with pytest.raises(DrawingError, match=r"tide\.obj:1"):
            api.route(path)

    @pytest.mark.parametrize("text", [None, "O"])
    def test_one_of_drawing_and_text_is_taken(self, text: str | None) -> None:
        with pytest.raises(ValueError, match="one of the two"):
            api.route(None if text is None else "boat.svg", text=text)


class TestSample:
    def test_points_lie_at_equal_distances_within_the_unit_cube(self) -> None:
        points = api.sample(api.route(text="O"), 512)
        steps = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        assert np.abs(points).max() <= 1.0
        # A chord across a corner is shorter than the way round it.
        assert steps.max() <= 1.001 * np.median(steps)

    def test_jumps_are_run_faster(self, tmp_path: Path) -> None:
        path = tmp_path / "quays.obj"
        path.write_text(SPLIT, encoding="utf-8")
        points = api.sample(api.route(path), 4096, jump_speed=8)
        steps = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        assert steps.max() == pytest.approx(8 * np.median(steps))


class TestMeasure:
    def test_samples_and_the_file_that_holds_them_have_the_same_figures(self, tmp_path: Path) -> None:
        sound = api.render("circle", 1.5)
        path = tmp_path / "circle.wav"
        soundfile.write(path, sound, RATE, subtype="FLOAT")
        assert api.measure(sound, RATE).figures == api.measure(path).figures

    def test_a_sine_has_the_level_of_a_sine(self) -> None:
        angle = 2 * np.pi * 100 * np.arange(RATE) / RATE
        figures = api.measure(np.stack([0.5 * np.cos(angle), 0.5 * np.sin(angle)], axis=1), RATE).figures
        assert figures.rms == pytest.approx([0.5 / math.sqrt(2)] * 2)

    @pytest.mark.parametrize(("shape", "rate"), [((10, 2), None), ((10, 2), 0), ((10,), RATE)])
    def test_samples_need_a_rate_and_channels(self, shape: tuple[int, ...], rate: int | None) -> None:
        with pytest.raises(ValueError, match="samples"):
            api.measure(np.zeros(shape), rate)

    def test_nothing_is_not_measured(self) -> None:
        with pytest.raises(SoundError, match="not one sample"):
            api.measure(np.zeros((0, 2)), RATE)


class TestPicture:
    def test_it_is_the_still_of_the_command(self, tmp_path: Path) -> None:
        path = tmp_path / "circle.png"
        run = beamhand("render", "circle", "-o", path, "--seconds", "0.5", "--size", "64", "--exposure", "0.2")
        assert run.returncode == 0, run.stderr
        pixels = api.picture(api.render("circle", 0.5), size=64, exposure=0.2)
        assert np.array_equal(pixels, np.asarray(Image.open(path).convert("RGB")))

    def test_the_look_is_that_of_the_command_line(self) -> None:
        sound = api.render("circle", 0.2)
        blue = api.picture(sound, size=32, exposure=0.1, look=["P11"]).reshape(-1, 3).sum(axis=0)
        assert blue[2] > blue[0]


def test_importing_it_loads_no_window_and_no_sound() -> None:
    code = "import sys, instrument.api; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert "instrument.patch.patch_file" in loaded
    assert {"pygame", "matplotlib", "soundfile"}.isdisjoint(loaded)


def test_every_public_name_is_there_and_described() -> None:
    for name in api.__all__:
        assert getattr(api, name).__doc__, name
