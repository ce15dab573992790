"""Which driver plays."""

from __future__ import annotations

import pytest

from instrument.engine.engine import Engine
from instrument.stage import choose
from instrument.stage.choose import choose_driver
from instrument.stage.devices import AudioDevice
from instrument.stage.driver import DeviceError
from instrument.stage.silent import SilentClock

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
