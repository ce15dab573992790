"""Looking for an audio device in a process of its own, again and again, until it is plugged in.

PortAudio lists what there was when it started, so it has to be started afresh for every look. That is slow, it talks,
and with some drivers it crashes: none of it belongs beside the sound. Run as ``python -m instrument.audio.device_probe``, it
prints all devices as one JSON list a line until its input ends.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
from contextlib import suppress
from typing import IO, TYPE_CHECKING, Self

from instrument.audio.devices import CHANNELS, AudioDevice, audio_devices, load_portaudio
from instrument.audio.driver import DeviceError
from instrument.common.quiet_libraries import quiet_libraries

if TYPE_CHECKING:
    from types import TracebackType

_PAUSE = 0.5
_TURN = 0.1
_PATIENCE = 2.0


class DeviceProbe:
    """The process that looks.

    Parameters
    ----------
    command : list of str, optional
        What to run instead of this module.
    """

    def __init__(self, command: list[str] | None = None) -> None:
        self._lines: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            command or [sys.executable, "-m", "instrument.audio.device_probe"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        threading.Thread(target=_listen, args=(self._process.stdout, self._lines), name="probe", daemon=True).start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.kill()
        self._process.wait(_PATIENCE)
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with suppress(OSError):
                    stream.close()

    def wait_for(self, device: AudioDevice, ending: threading.Event) -> bool:
        """Return whether a device of that name and host has appeared; False if the wait or the process has ended."""
        while not ending.is_set():
            try:
                line = self._lines.get(timeout=_TURN)
            except queue.Empty:
                continue
            if line is None:
                return False
            with suppress(ValueError, TypeError):
                if [device.name, device.host] in json.loads(line):
                    return True
        return False


def _listen(stream: IO[bytes] | None, lines: queue.SimpleQueue[bytes | None]) -> None:
    if stream is not None:
        with suppress(OSError, ValueError):
            for line in stream:
                lines.put(line)
    lines.put(None)


def devices_anew() -> list[AudioDevice]:
    """Start PortAudio afresh and return what there is now; no stream may be open.

    Raises
    ------
    DeviceError
        If PortAudio is missing or does not start.
    """
    sounddevice = load_portaudio()
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
