"""Device profiles: a file for each device, which can be broken without anything stopping."""

from __future__ import annotations

from threading import Event
from typing import TYPE_CHECKING

import pytest

from instrument.audio.choice import Choice
from instrument.audio.correction_table import QUANTITIES, Correction
from instrument.audio.devices import AudioDevice
from instrument.audio.profile import (
    SILENT,
    all_profiles,
    forget_profile,
    load_profile,
    profile_file,
    profile_name,
    save_profile,
    saved_name,
    with_profile,
)
from instrument.engine.engine import Engine
from instrument.patch.patch_errors import PatchError
from instrument.show.ending import Ending
from instrument.show.show import Show
from instrument.show.show_options import ShowOptions

if TYPE_CHECKING:
    from pathlib import Path

DEVICE = AudioDevice("Quay Audio 2x2", "ALSA", 2, 2, 48000.0, 3)
OTHER = Correction().with_values({"gain.x": "15/16", "swap": True, "delay.y": 12.5, "offset.x": -0.1})


def test_what_is_saved_is_what_is_loaded_for_that_device_alone(tmp_path: Path) -> None:
    name = profile_name(DEVICE)
    save_profile(name, OTHER, tmp_path)
    assert load_profile(name, tmp_path) == OTHER
    assert load_profile("Quay Audio 2x2 (JACK)", tmp_path) is None


@pytest.mark.parametrize("name", ["", "../../x", 'a "b" \\ c', "Übersee (ALSA)", "tab\tline\nend", "x" * 500])
def test_any_name_of_a_device_is_a_file_in_the_folder(name: str, tmp_path: Path) -> None:
    path = save_profile(f"{name}.", OTHER, tmp_path)
    assert path.parent == tmp_path
    assert all_profiles(tmp_path) == ([(f"{name}.", OTHER)], [])


def test_a_jack_server_that_tells_what_it_plays_through_has_a_profile_for_that() -> None:
    jack = AudioDevice("jack", "JACK", 2, 2, 48000.0, -1)
    assert profile_name(jack) == "jack (JACK)"
    assert profile_name(AudioDevice("jack", "JACK", 2, 2, 48000.0, -1, behind="Quay Audio")) == "Quay Audio (JACK)"
    assert profile_name(None) == SILENT


def test_a_profile_is_meant_by_part_of_its_name_and_can_be_forgotten(tmp_path: Path) -> None:
    save_profile("Quay Audio (ALSA)", OTHER, tmp_path)
    save_profile("Lock Audio (ALSA)", OTHER, tmp_path)
    assert saved_name("quay", tmp_path) == "Quay Audio (ALSA)"
    assert saved_name("audio", tmp_path) is None
    assert forget_profile("Quay Audio (ALSA)", tmp_path)
    assert not forget_profile("Quay Audio (ALSA)", tmp_path)
    assert [name for name, _ in all_profiles(tmp_path)[0]] == ["Lock Audio (ALSA)"]


BROKEN = [
    ("gain.x = 5", "line 3: gain.x is 5; it takes a number from 0 to 4."),
    ("[offset]\ny = 'far'", "line 4: offset.y is far; it takes a number from -1 to 1 of full scale."),
    ("delay.x = nan", "line 3: delay.x is nan; it takes a number from 0 to 5000 microseconds."),
    ("gain.x = true", "line 3: gain.x is true; it takes a number"),
    ("swap = 2", "line 3: swap is 2; it takes on or off."),
    ("gian.x = 1", "line 3: gian.x is not a field; a profile takes swap, invert.x,"),
    ("gian.x = 1", "Did you mean gain.x?"),
    ("gain = 1", "line 3: gain is not a field"),
    ("gain.x.much = 1", "line 3: gain.x is a table; it takes a number from 0 to 4."),
    ("swap = []", "line 3: swap is a list; it takes on or off."),
    ("gain.x =", "line 3: column"),
    ("gain.x = 1\x00", "this is not a text file"),
]


@pytest.mark.parametrize(("text", "sentence"), BROKEN)
def test_a_broken_profile_names_file_line_field_and_mend(text: str, sentence: str, tmp_path: Path) -> None:
    path = profile_file(SILENT, tmp_path)
    path.write_text(f'schema = 1\ndevice = "{SILENT}"\n{text}\n')
    with pytest.raises(PatchError) as error:
        load_profile(SILENT, tmp_path)
    assert str(path) in str(error.value)
    assert sentence in str(error.value)
    assert all_profiles(tmp_path) == ([], [str(error.value)])


def test_an_empty_profile_is_made_anew_by_calibrating(tmp_path: Path) -> None:
    profile_file(SILENT, tmp_path).touch()
    with pytest.raises(PatchError, match=r"the file is empty\. Make it anew with: beamhand calibrate"):
        load_profile(SILENT, tmp_path)


def test_every_refused_value_is_refused_with_its_range() -> None:
    for row in QUANTITIES:
        with pytest.raises(ValueError, match=f"{row.name} is 1e9; it takes"):
            Correction().with_value(row.name, "1e9")


class TestPlaying:
    """What a show does with the profile of the device that it plays on."""

    @pytest.fixture(autouse=True)
    def folder(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        monkeypatch.setattr("instrument.audio.profile.profiles_folder", lambda: tmp_path)
        return tmp_path

    @staticmethod
    def corrected(**options: bool) -> tuple[Choice, list[str]]:
        said: list[str] = []
        with Ending(Event(), said.append) as ending:
            show = Show(ShowOptions((), **options), said.append, ending)  # type: ignore[arg-type]
            ending.then("the log", show._faults.close)
            return show._corrected(Choice(None, 48000.0)), said

    def test_it_is_applied_and_said_in_a_line(self) -> None:
        save_profile(SILENT, OTHER)
        choice, said = self.corrected()
        assert len(said) == 1
        values = "swap on, gain.x 0.9375, offset.x -0.1, delay.y 12.5 us"
        assert said[0].startswith(f"corrected for the display behind silent clock: {values} (--no-profile")
        with choice.open(Engine(48000.0)) as driver:
            assert driver.corrector is not None
            assert driver.corrector.correction == OTHER
            assert driver.described == "silent clock, corrected"

    def test_it_is_left_out_on_request(self) -> None:
        save_profile(SILENT, OTHER)
        assert self.corrected(profile=False) == (Choice(None, 48000.0), [])

    def test_one_that_may_not_be_read_is_told_and_the_show_goes_on(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(*_: object) -> Correction:
            raise PermissionError(13, "Permission denied", "devices")

        monkeypatch.setattr("instrument.audio.profile.load_profile", refuse)
        choice, said = self.corrected()
        assert choice == Choice(None, 48000.0)
        assert said == ["[Errno 13] Permission denied: 'devices': playing without it."]

    def test_a_neutral_one_costs_nothing(self) -> None:
        save_profile(SILENT, Correction())
        choice, _ = self.corrected()
        with choice.open(Engine(48000.0)) as driver:
            assert driver.corrector is None
            assert driver.described == "silent clock"

    def test_a_broken_one_is_told_and_the_show_goes_on_without_it(self) -> None:
        profile_file(SILENT).write_text("schema = 1\ndevice = 7\n")
        choice, said = self.corrected()
        assert choice == Choice(None, 48000.0)
        assert said[0].endswith(
            'line 2: device is 7; it takes the name of the device, as device = "silent clock": playing without it.'
        )


def test_the_correction_goes_with_the_choice_so_that_a_device_that_is_back_has_it_too(tmp_path: Path) -> None:
    save_profile(profile_name(DEVICE), OTHER, tmp_path)
    choice = with_profile(Choice(DEVICE, 48000.0), lambda _: None, lambda *_: None, tmp_path)
    assert choice.outputs.correction == OTHER
