"""Looking for a device in a process of its own."""

from __future__ import annotations

import sys
import threading
import time

from instrument.audio.device_probe import DeviceProbe
from instrument.audio.devices import AudioDevice

PIER = AudioDevice("Pier 4", "ALSA", 0, 4, 48_000.0, 3)

TELLS = """
import sys, time
for line in ('[["Pier 4", "OSS"]]', 'no json', '[["Pier 4", "ALSA"], ["Quay", "ALSA"]]'):
    print(line, flush=True)
sys.stdin.read()
"""


def test_a_device_has_appeared_once_its_name_is_told_with_its_host() -> None:
    with DeviceProbe([sys.executable, "-c", TELLS]) as probe:
        assert probe.wait_for(PIER, threading.Event())


def test_a_process_that_crashes_is_no_device() -> None:
    with DeviceProbe([sys.executable, "-c", "import os; os.abort()"]) as probe:
        assert not probe.wait_for(PIER, threading.Event())


def test_nobody_waits_longer_than_is_wanted() -> None:
    ending = threading.Event()
    ending.set()
    began = time.monotonic()
    with DeviceProbe([sys.executable, "-c", "import sys; sys.stdin.read()"]) as probe:
        assert not probe.wait_for(PIER, ending)
    assert time.monotonic() - began < 60.0
