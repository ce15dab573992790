"""Which driver plays."""

from __future__ import annotations

from dataclasses import replace

import pytest

from instrument.audio import choice as choose
from instrument.audio.choice import choose_driver, hears_input
from instrument.audio.devices import AudioDevice
from instrument.audio.driver import DeviceError
from instrument.audio.silent import SilentClock
from instrument.engine.engine import Engine
from instrument.engine.program import new_program
from instrument.engine.signal.source_table import SOURCE_INPUT


@pytest.fixture(autouse=True)
def no_jack(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep a server of this machine out; the ones that tests start are asked in test_jack."""
    monkeypatch.setattr(choose, "jack_devices", list)


QUAY = AudioDevice("Quay", "ALSA", 0, 2, 48_000.0, 0, default=True)
BUOY = AudioDevice("Buoy Microphone", "ALSA", 1, 0, 48_000.0, 1, default_input=True)
SERVER = AudioDevice("jack", "JACK", 2, 2, 48_000.0, -1, default=True)
SLOW = AudioDevice("Old Buoy", "ALSA", 0, 2, 32_000.0, 0, default=True)


def test_off_means_the_silent_clock_and_is_no_trouble() -> None:
    choice = choose_driver("OFF", None, None)
    assert choice.device is None
    assert choice.rate == 48_000.0
    assert choice.trouble == ""
    assert isinstance(choice.open(Engine(choice.rate)), SilentClock)


def test_without_any_device_the_silent_clock_plays_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(choose, "audio_devices", list)
    choice = choose_driver(None, 96_000.0, 480)
    assert choice.device is None
    assert choice.rate == 96_000.0
    assert choice.trouble == "there is no audio device with two outputs: playing on a silent clock."


def test_a_device_that_was_named_is_not_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(choose, "audio_devices", list)
    with pytest.raises(DeviceError, match="'quay'"):
        choose_driver("quay", None, None)


def test_without_a_rate_the_devices_own_is_taken_within_the_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(choose, "audio_devices", lambda: [SLOW])
    assert choose_driver(None, None, None).rate == 44_100.0
    assert choose_driver(None, 88_200.0, None).rate == 88_200.0


def test_impossible_numbers_are_refused_before_any_device_is_asked() -> None:
    with pytest.raises(DeviceError, match="rate"):
        choose_driver("off", 8000.0, None)
    with pytest.raises(DeviceError, match="block"):
        choose_driver("off", None, 8)


def test_a_jack_server_is_played_without_portaudio(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(choose, "jack_devices", lambda: [SERVER])
    monkeypatch.delattr(choose, "audio_devices")  # nobody asks PortAudio, whose start takes time
    for audio in (None, "jack"):
        assert choose_driver(audio, None, None).device is SERVER


def test_a_name_of_portaudios_is_played_through_portaudio(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(choose, "jack_devices", lambda: [SERVER])
    monkeypatch.setattr(choose, "audio_devices", lambda: [QUAY])
    assert choose_driver("quay", None, None).device is QUAY


class TestLiveInput:
    @pytest.fixture(autouse=True)
    def devices(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(choose, "audio_devices", lambda: [QUAY, BUOY])

    def test_none_is_opened_unless_a_patch_hears_it_or_it_is_named(self) -> None:
        assert choose_driver(None, None, None).live is None
        assert choose_driver(None, None, None, hears=True).live is BUOY
        assert choose_driver(None, None, None, "buoy").live is BUOY

    def test_off_opens_none_whatever_the_patches_hear(self) -> None:
        choice = choose_driver(None, None, None, "OFF", hears=True)
        assert (choice.live, choice.trouble) == (None, "")

    def test_where_there_is_none_it_plays_and_says_so(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(choose, "audio_devices", lambda: [QUAY])
        choice = choose_driver(None, None, None, hears=True)
        assert (choice.device, choice.live) == (QUAY, None)
        assert choice.trouble == "there is no live input: what a patch takes from it is silent."

    def test_the_silent_clock_has_none_and_says_so(self) -> None:
        choice = choose_driver("off", None, None, hears=True)
        assert choice.trouble == "there is no live input: what a patch takes from it is silent."
        with pytest.raises(DeviceError, match="silent clock has no live input 'buoy'"):
            choose_driver("off", None, None, "buoy")

    def test_a_name_that_nothing_has_is_refused(self) -> None:
        with pytest.raises(DeviceError, match="no live input 'moth' in ALSA; there is 'Buoy Microphone"):
            choose_driver(None, None, None, "moth")

    def test_jack_is_asked_for_its_own_inputs_or_for_a_ports_name(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(choose, "jack_devices", lambda: [SERVER])
        assert choose_driver(None, None, None, hears=True).live == ""
        assert choose_driver(None, None, None, "heron").live == "heron"
        monkeypatch.setattr(choose, "jack_devices", lambda: [replace(SERVER, inputs=0)])
        assert choose_driver(None, None, None, hears=True).trouble


def test_a_program_without_a_source_of_that_kind_does_not() -> None:
    assert not hears_input(new_program())


def test_one_with_a_layer_that_draws_the_live_input_does() -> None:
    program = new_program()
    program.record["layers"][5]["source"] = SOURCE_INPUT
    assert hears_input(program)
