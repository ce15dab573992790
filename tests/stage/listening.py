"""A JACK client that plays into the instrument and listens to it from outside."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Self

import jack
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

LONGEST_WAIT = 15.0


def wait_until(condition: Callable[[], bool], what: str, seconds: float = LONGEST_WAIT) -> None:
    """Wait for something to become true, and fail with its name if it does not."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited {seconds:g} s in vain for {what}"
        time.sleep(0.02)


class Listener:
    """Records two channels and sends MIDI messages, one a period or many at once.

    Parameters
    ----------
    server : str
        Name of the JACK server.
    seconds : float
        Length of the recording, which begins when the output is connected.
    """

    def __init__(self, server: str, seconds: float = 2.0) -> None:
        self._client = jack.Client("listener", servername=server, no_start_server=True)
        self._inputs = [self._client.inports.register(f"in_{k}") for k in range(2)]
        self._midi = self._client.midi_outports.register("out")
        self.heard = np.zeros((round(seconds * self._client.samplerate), 2), np.float32)
        self.frames = 0
        self._recording = False
        self._to_send: list[tuple[int, ...]] = []
        self._a_period = 1
        self.xruns = 0
        """Periods that the server lost, and with them whatever was under way in them."""
        self._client.set_process_callback(self._process)
        self._client.set_xrun_callback(self._count_xrun)

    def __enter__(self) -> Self:
        self._client.activate()
        return self

    def __exit__(self, *ended: object) -> None:
        self._client.deactivate()
        self._client.close()

    def hear(self, client: str = "PortAudio") -> None:
        """Connect the outputs of a client, once they are there, and record them."""
        wait_until(lambda: len(self._ports(client)) >= 2, f"outputs of {client}")
        for port, own in zip(self._ports(client), self._inputs, strict=False):
            self._client.connect(port, own)
        self._recording = True

    def play_into(self, port: str = "Beamhand:Beamhand") -> None:
        """Connect our messages to an input, once it is there."""
        wait_until(lambda: bool(self._client.get_ports(f"^{port}$", is_midi=True, is_input=True)), port)
        self._client.connect(self._midi, port)

    def send(self, *messages: tuple[int, ...], a_period: int = 1) -> None:
        """Send messages in order, so many in each period; returns when they have been sent."""
        self._a_period = a_period
        self._to_send = [*reversed(messages)]
        wait_until(lambda: not self._to_send, "messages to be sent")

    def wait_for_sound(self) -> None:
        """Wait until the recording is full."""
        wait_until(lambda: self.frames == len(self.heard), "the recording")

    def _ports(self, client: str) -> list[jack.Port]:
        return list(self._client.get_ports(f"^{client}:", is_audio=True, is_output=True))

    def _count_xrun(self, _delayed: float) -> None:
        self.xruns += 1

    def _process(self, frames: int) -> None:
        self._midi.clear_buffer()
        for k in range(min(self._a_period, len(self._to_send))):
            self._midi.write_midi_event(min(k, frames - 1), self._to_send.pop())
        if self._recording:
            count = min(frames, len(self.heard) - self.frames)
            for channel, port in enumerate(self._inputs):
                self.heard[self.frames : self.frames + count, channel] = port.get_array()[:count]
            self.frames += count
