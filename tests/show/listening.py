"""A JACK client that plays into the instrument and listens to it from outside."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Self

import jack
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

LONGEST_WAIT = 45.0


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
        self._other = self._client.midi_outports.register("other")
        self._midi_in = self._client.midi_inports.register("in")
        self._tone = self._client.outports.register("tone")
        self.tone = 0.0
        """Level of our own output, ``listener:tone``."""
        self.received: list[tuple[int, int, bytes]] = []
        """Messages that came to ``listener:in``: first frame of the period, place in it, bytes."""
        self.heard = np.zeros((round(seconds * self._client.samplerate), 2), np.float32)
        self.frames = 0
        self._recording = False
        self._to_send: list[tuple[int, ...]] = []
        self._timed: list[tuple[int, int, tuple[int, ...]]] = []
        self.sent: list[tuple[int, int, tuple[int, ...]]] = []
        """Messages of `send_on`: first frame of the period, place in it, bytes."""
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

    def hear(self, client: str = "Beamhand") -> None:
        """Connect the outputs of a client, once they are there, and record them."""
        wait_until(lambda: len(self._ports(client)) >= 2, f"outputs of {client}")
        for port, own in zip(self._ports(client), self._inputs, strict=False):
            self._client.connect(port, own)
        self.record()

    def record(self) -> None:
        """Record what the inputs are connected to."""
        self._recording = True

    def play_into(self, port: str = "Beamhand:Beamhand") -> None:
        """Connect our messages to an input, once it is there, unless they are."""
        wait_until(lambda: bool(self._client.get_ports(f"^{port}$", is_midi=True, is_input=True)), port)
        if not self._midi.is_connected_to(port):
            self._client.connect(self._midi, port)

    def send(self, *messages: tuple[int, ...], a_period: int = 1) -> None:
        """Send messages in order, so many in each period; returns when they have been sent."""
        self._a_period = a_period
        self._to_send = [*reversed(messages)]
        wait_until(lambda: not self._to_send, "messages to be sent")

    def send_on(self, *messages: tuple[int, int, tuple[int, ...]]) -> None:
        """Send messages on their frames from now on, in order; returns when they have been sent.

        Each is a port (0 is ``listener:out``, 1 ``listener:other``), a frame and the message's bytes.
        """
        start = self._client.frame_time + 2400
        self._timed = [(port, start + frame, data) for port, frame, data in reversed(messages)]
        wait_until(lambda: not self._timed, "messages to be sent")

    def play_other_into(self, port: str) -> None:
        """Connect our second MIDI output to an input."""
        self._client.connect(self._other, port)

    def connect(self, source: str, target: str) -> None:
        """Connect two ports of any client, once both are there."""
        wait_until(lambda: all(self._client.get_ports(f"^{port}$") for port in (source, target)), target)
        self._client.connect(source, target)

    def set_period(self, frames: int) -> None:
        """Change the server's period."""
        self._client.blocksize = frames

    def wait_for_sound(self) -> None:
        """Wait until the recording is full."""
        wait_until(lambda: self.frames == len(self.heard), "the recording")

    def _ports(self, client: str) -> list[jack.Port]:
        return list(self._client.get_ports(f"^{client}:", is_audio=True, is_output=True))

    def _count_xrun(self, _delayed: float) -> None:
        self.xruns += 1

    def _process(self, frames: int) -> None:
        self._midi.clear_buffer()
        self._other.clear_buffer()
        self._tone.get_array()[:] = self.tone
        now = self._client.last_frame_time
        for offset, data in self._midi_in.incoming_midi_events():
            self.received.append((now, offset, bytes(data)))
        while self._timed and self._timed[-1][1] < now + frames:
            port, frame, data = self._timed.pop()
            place = max(frame - now, 0)
            (self._other if port else self._midi).write_midi_event(place, data)
            self.sent.append((now, place, data))
        for k in range(min(self._a_period, len(self._to_send))):
            self._midi.write_midi_event(min(k, frames - 1), self._to_send.pop())
        if self._recording:
            count = min(frames, len(self.heard) - self.frames)
            for channel, port in enumerate(self._inputs):
                self.heard[self.frames : self.frames + count, channel] = port.get_array()[:count]
            self.frames += count
