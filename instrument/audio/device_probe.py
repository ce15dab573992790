"""Looking for an audio device in a process of its own, again and again, until it is plugged in.

PortAudio lists what there was when it started, so it has to be started afresh for every look. That is slow, it talks,
and with some drivers it crashes: none of it belongs beside the sound. Run as ``python -m instrument.audio.device_probe``, it
prints all devices as one JSON list a line until its input ends.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Self

from instrument.audio.devices import CHANNELS, AudioDevice, audio_devices, load_portaudio, streams_left_behind
from instrument.audio.driver import DeviceError
from instrument.common.child_process import ChildProcess, module_command
from instrument.common.quiet_libraries import quiet_libraries

if TYPE_CHECKING:
    from types import TracebackType

_PAUSE = 0.5
_TURN = 0.1


class DeviceProbe:
    """The process that looks.

    Parameters
    ----------
    command : list of str, optional
        What to run instead of this module.
    """

    def __init__(self, command: list[str] | None = None) -> None:
        self._child = ChildProcess("probe")
        self._child.start(command or module_command("instrument.audio.device_probe"), errors=False)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._child.end(0.0)

    def wait_for(self, device: AudioDevice, ending: threading.Event) -> bool:
        """Return whether a device of that name and host has appeared; False if the wait or the process has ended."""
        while not ending.is_set():
            line = self._child.wait_for_line(_TURN)
            if line is None:
                if not self._child.running:
                    return False
                continue
            with suppress(ValueError, TypeError):
                if [device.name, device.host] in json.loads(line):
                    return True
        return False


def devices_anew() -> list[AudioDevice]:
    """Start PortAudio afresh and return what there is now; no stream may be open.

    Where one hangs that cannot be closed, PortAudio goes on with the list that it has.

    Raises
    ------
    DeviceError
        If PortAudio is missing or does not start.
    """
    sounddevice = load_portaudio()
    if streams_left_behind:
        return audio_devices()
    try:
        with quiet_libraries():
            sounddevice._terminate()  # noqa: SLF001 - the documented way to look again
            sounddevice._initialize()  # noqa: SLF001 - as above
    except sounddevice.PortAudioError as error:
        raise DeviceError(f"PortAudio does not start ({error}).") from None
    return audio_devices()


def main() -> None:
    """Print what there is until nobody listens any more."""
    ended = threading.Event()
    threading.Thread(target=_wait_for_end, args=(ended,), daemon=True).start()
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    while not ended.wait(_PAUSE):
        with suppress(DeviceError):
            found = [[device.name, device.host] for device in devices_anew() if device.outputs >= CHANNELS]
            try:
                out.write(json.dumps(found) + "\n")
                out.flush()
            except (OSError, ValueError):
                return


def _wait_for_end(ended: threading.Event) -> None:
    with suppress(OSError, ValueError):
        sys.stdin.buffer.read()
    ended.set()


if __name__ == "__main__":
    main()
