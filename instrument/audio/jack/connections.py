"""Connections of our sound ports, made again when the other end is made anew.

jackd's plugs are there before any client and stay until it ends. PipeWire's come and go with the devices: after a start
they appear seconds after the server itself, an interface that is pulled takes them along, and what the desktop plays
through by default may change at any moment. So they are looked for again and again, and each that is new is connected
once: what somebody has taken apart by hand stays apart.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from instrument.audio.jack.library import AUDIO, IS_INPUT, IS_PHYSICAL

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from instrument.audio.jack.library import JackClient, JackPort

UNHEARD_SECONDS = 1.0
"""Time without any connection after which that is said; a device that is only changed takes less."""


class Side:
    """Ports of our own, in order, and the ports of others that they belong to.

    Parameters
    ----------
    client : JackClient
    own : sequence of int
        Handles of our ports.
    find : callable
        Returns what they belong to now, in order; there may be fewer, or none.
    plays : bool
        Whether ours are the sources.
    """

    def __init__(
        self, client: JackClient, own: Sequence[int], find: Callable[[], list[JackPort]], *, plays: bool
    ) -> None:
        self._client = client
        self._own = own
        self._find = find
        self._plays = plays
        self._joined: list[JackPort | None] = [None] * len(own)

    @property
    def device(self) -> str:
        """Name of what they belong to, as far as it was there at the latest look; otherwise empty."""
        return next((other.client for other in self._joined if other is not None), "")

    def poll(self) -> bool:
        """Connect what has come or changed; return whether anything was."""
        found = self._find()
        anew = False
        for place, own in enumerate(self._own):
            now = found[place] if place < len(found) else None
            before = self._joined[place]
            if _mark(now) == _mark(before):
                continue
            if before is not None:
                self._take_apart(own, before)
            self._joined[place] = now if now is not None and self._join(own, now) else None
            anew = anew or self._joined[place] is not None
        return anew

    def _join(self, own: int, other: JackPort) -> bool:
        name = self._client.port_name(own)
        return self._client.connect(*((name, other.name) if self._plays else (other.name, name)))

    def _take_apart(self, own: int, other: JackPort) -> None:
        # One that has gone has taken its connections along.
        if self._client.is_connected(own, other.name):
            name = self._client.port_name(own)
            self._client.disconnect(*((name, other.name) if self._plays else (other.name, name)))


def _mark(port: JackPort | None) -> tuple[str, int] | None:
    # One that has been made anew is another, even of the same name.
    return None if port is None else (port.name, port.number)


class Connections:
    """The outputs to the device that is played through, and its, or somebody's, outputs to our inputs.

    Parameters
    ----------
    client : JackClient
    outputs, inputs : sequence of int
        Handles of our ports.
    target : str
        Client whose physical inputs are meant; empty for the first that the server names, which is its default.
    live : callable
        Returns the ports that are listened to.
    """

    def __init__(
        self,
        client: JackClient,
        outputs: Sequence[int],
        inputs: Sequence[int],
        target: str,
        live: Callable[[], list[JackPort]],
    ) -> None:
        self._client = client
        self._outputs = list(outputs)
        self._target = target
        self._played = Side(client, outputs, self._plugs, plays=True)
        self._heard = Side(client, inputs, live, plays=False)
        self._unheard_since: float | None = None

    @property
    def device(self) -> str:
        """Client that is played into; empty while there is none."""
        return self._played.device

    @property
    def heard(self) -> bool:
        """Whether any of the outputs is connected to something."""
        return any(self._client.is_used(port) for port in self._outputs)

    @property
    def unheard(self) -> bool:
        """Whether the outputs have been connected to nothing for `UNHEARD_SECONDS`."""
        since = self._unheard_since
        return since is not None and time.monotonic() - since >= UNHEARD_SECONDS

    def poll(self) -> bool:
        """Connect what has come or changed; return whether the outputs belong to something new."""
        self._heard.poll()
        anew = self._played.poll()
        if self.heard:
            self._unheard_since = None
        elif self._unheard_since is None:
            self._unheard_since = time.monotonic()
        return anew

    def _plugs(self) -> list[JackPort]:
        return device_ports(self._client, IS_INPUT, self._target)


def device_ports(client: JackClient, end: int, target: str = "") -> list[JackPort]:
    """Return the physical ports of one device.

    Parameters
    ----------
    client : JackClient
    end : int
        `IS_INPUT` for what can be played into, `IS_OUTPUT` for what can be listened to.
    target : str, optional
        Its client; by default the one of the server's first port, which PipeWire keeps for its default device.
    """
    ports = client.ports(AUDIO, end | IS_PHYSICAL)
    wanted = target or (ports[0].client if ports else "")
    return [port for port in ports if port.client == wanted]
