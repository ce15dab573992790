"""A name, or a part of it, means one device."""

from __future__ import annotations

import sys

import pytest

from instrument.audio.devices import JACK_HOST, AudioDevice, find_input, find_output, load_portaudio
from instrument.audio.driver import DeviceError

QUAY = AudioDevice("Quay Interface", "ALSA", 2, 4, 48_000.0, 0, default=True)
QUAY_TWO = AudioDevice("Quay Interface Two", "ALSA", 2, 2, 96_000.0, 1)
MICROPHONE = AudioDevice("Foghorn Microphone", "ALSA", 1, 0, 44_100.0, 2)
SERVER = AudioDevice("system", JACK_HOST, 2, 2, 48_000.0, 3, default=True)
DEVICES = [QUAY, QUAY_TWO, MICROPHONE, SERVER]


def test_without_a_name_a_jack_server_comes_first() -> None:
    assert find_output(None, DEVICES) is SERVER


def test_without_a_server_the_default_device_is_taken() -> None:
    assert find_output(None, DEVICES[:3]) is QUAY


@pytest.mark.parametrize(
    ("wanted", "device"),
    [
        ("Quay Interface", QUAY),
        ("quay interface two", QUAY_TWO),
        ("two", QUAY_TWO),
        ("jack", SERVER),
        ("Quay Interface (ALSA)", QUAY),
    ],
)
def test_a_full_name_or_a_part_that_only_one_has(wanted: str, device: AudioDevice) -> None:
    assert find_output(wanted, DEVICES) is device


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ("quay", "'quay' could be 'Quay Interface (ALSA)' or 'Quay Interface Two (ALSA)'"),
        ("quai interface", "did you mean 'Quay Interface (ALSA)'"),
        ("microphone", "there is no audio device 'microphone' with two outputs; there is 'Quay"),
        ("zzz", "there is 'Quay Interface (ALSA)' or"),
    ],
)
def test_a_name_that_means_several_or_none_is_one_sentence(wanted: str, said: str) -> None:
    with pytest.raises(DeviceError) as caught:
        find_output(wanted, DEVICES)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_where_nothing_is_connected_the_sentence_says_how_to_play_without() -> None:
    with pytest.raises(DeviceError, match="--audio off"):
        find_output("quay", [MICROPHONE])


def test_a_missing_portaudio_library_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    class Missing:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    with pytest.raises(DeviceError, match=r"PortAudio library not found.*libportaudio2"):
        load_portaudio()


def test_the_usual_live_input_is_the_outputs_own_device_or_its_systems_default() -> None:
    default = AudioDevice("Foghorn Microphone", "ALSA", 1, 0, 44_100.0, 2, default_input=True)
    mute = AudioDevice("Lamp", "ALSA", 0, 2, 44_100.0, 4)
    assert find_input("", [QUAY, default], QUAY) is QUAY
    assert find_input("", [QUAY, default, mute], mute) is default


def test_a_live_input_belongs_to_the_outputs_own_system() -> None:
    assert find_input("foghorn", DEVICES, QUAY) is MICROPHONE
    with pytest.raises(DeviceError, match="no live input 'foghorn' in JACK Audio Connection Kit; there is 'system"):
        find_input("foghorn", DEVICES, SERVER)
    with pytest.raises(DeviceError, match="no live input in ALSA"):
        find_input("", [QUAY_TWO], AudioDevice("Lamp", "ALSA", 0, 2, 44_100.0, 4))
