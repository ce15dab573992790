"""The JACK server as a device that can be chosen, and what it plays through."""

from __future__ import annotations

from instrument.audio.devices import NATIVE, AudioDevice
from instrument.audio.driver import DeviceError
from instrument.audio.jack.library import AUDIO, IS_INPUT, IS_OUTPUT, IS_PHYSICAL, JackClient, JackPort

CLIENT = "Beamhand"
"""Name of the client and of its own MIDI input, into which other programs play."""

_BACKEND = "system"
"""Client of jackd's own ports, whatever the hardware."""

_PATIENCE = 2.0
"""Seconds that a server has to let go of us."""


def jack_devices() -> list[AudioDevice]:
    """Return the JACK server as a device, and each that it plays through by the name it has there; none without a server.

    jackd's own ports have no name but its own, so that it is one device; PipeWire tells what it has.
    """
    try:
        # Under another name than whoever plays: of a client that comes, goes and comes again within a moment, others that
        # come meanwhile may keep what belonged to the first, and never let the second have its turn.
        client = JackClient(f"{CLIENT} asks")
    except DeviceError:
        return []
    try:
        heard, played = (client.ports(AUDIO, IS_PHYSICAL | end) for end in (IS_OUTPUT, IS_INPUT))
        rate = client.rate
    except DeviceError:
        return []
    finally:
        client.close(_PATIENCE)
    first = played[0].client if played else ""
    behind = behind_of(f"{first}:")
    inputs = len(heard) if not behind else sum(port.client == heard[0].client for port in heard)
    outputs = sum(port.client == first for port in played)
    server = AudioDevice(NATIVE, NATIVE.upper(), inputs, outputs, rate, -1, default=True, behind=behind)
    names = dict.fromkeys(port.client for port in played if behind_of(port.name))
    return [server, *(_behind_server(name, heard, played, rate) for name in names)]


def _behind_server(name: str, heard: list[JackPort], played: list[JackPort], rate: float) -> AudioDevice:
    inputs, outputs = (sum(port.client == name for port in ports) for ports in (heard, played))
    return AudioDevice(name, NATIVE.upper(), inputs, outputs, rate, -1, behind=name)


def behind_of(port: str) -> str:
    """Return what a physical port says of its device: its client's name, and nothing where that is jackd's own.

    Examples
    --------
    >>> behind_of("Harbour Audio Analog Stereo:playback_FL"), behind_of("system:playback_1")
    ('Harbour Audio Analog Stereo', '')
    """
    client = port.partition(":")[0]
    return "" if client == _BACKEND else client
