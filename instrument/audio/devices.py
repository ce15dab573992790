"""Audio devices: which there are, and the one that a name means."""

from __future__ import annotations

import difflib
import re
import subprocess
from dataclasses import dataclass
from typing import Any

from instrument.audio.driver import RATES, USUAL_RATE, DeviceError
from instrument.common.quiet_libraries import quiet_libraries

JACK_HOST = "JACK Audio Connection Kit"
"""PortAudio's name for JACK, PipeWire's JACK layer included."""

NATIVE = "jack"
"""Name of the JACK server itself, played without PortAudio; its host is the same in capitals."""

CHANNELS = 2

_ALSA_HOST, _HARDWARE, _GUESSED_RATE = "ALSA", "(hw:", 44_100.0

_TELL_SECONDS = 2.0

streams_left_behind: list[Any] = []
"""Drivers whose streams PortAudio does not end, with all that their threads may still use. PortAudio would wait for them for
ever if it were started afresh, so that it is not any more."""


@dataclass(frozen=True)
class AudioDevice:
    """One device of one host system.

    Attributes
    ----------
    name, host : str
    inputs, outputs : int
        Largest number of channels.
    rate : float
        The device's own sample rate in hertz.
    index : int
        PortAudio's number, valid in this process only.
    default, default_input : bool
        Whether its host system plays through it, and listens to it, by default.
    behind : str
        Where a JACK server tells what it plays through, as PipeWire's does, the name of that; otherwise empty.
    """

    name: str
    host: str
    inputs: int
    outputs: int
    rate: float
    index: int
    default: bool = False
    default_input: bool = False
    behind: str = ""

    @property
    def jack(self) -> bool:
        """Whether it is a JACK server, played directly or through PortAudio."""
        return self.native or self.host == JACK_HOST

    @property
    def native(self) -> bool:
        """Whether it is a JACK server that is played without PortAudio."""
        return self.host == NATIVE.upper()

    @property
    def label(self) -> str:
        """Name and host, as `beamhand play --audio` takes them."""
        return f"{self.name} ({self.host})"


def load_portaudio() -> Any:
    """Return sounddevice with PortAudio running.

    Raises
    ------
    DeviceError
        If the PortAudio library is missing or does not start.
    """
    try:
        with quiet_libraries():
            import sounddevice  # noqa: PLC0415 - PortAudio starts on import, and the silent clock does without
    except OSError as error:
        raise DeviceError(
            f"the PortAudio library cannot be used ({error}); install it (Debian: apt install libportaudio2)."
        ) from None
    return sounddevice


def audio_devices() -> list[AudioDevice]:
    """Return every audio device.

    Raises
    ------
    DeviceError
        If PortAudio is missing.
    """
    sounddevice = load_portaudio()
    hosts = sounddevice.query_hostapis()
    return [
        AudioDevice(
            str(device["name"]),
            str(hosts[device["hostapi"]]["name"]),
            int(device["max_input_channels"]),
            int(device["max_output_channels"]),
            float(device["default_samplerate"]),
            int(device["index"]),
            device["index"] == hosts[device["hostapi"]]["default_output_device"],
            device["index"] == hosts[device["hostapi"]]["default_input_device"],
        )
        for device in sounddevice.query_devices()
    ]


def own_rate(device: AudioDevice) -> float:
    """Return the rate in hertz at which a device plays where nobody has asked for one.

    PortAudio says 44,100 of everything that takes any rate, which is what ALSA makes of a sound server; there it is the
    server's own, if PipeWire tells it, and otherwise the one most servers run at, so that nothing is resampled on the way.
    """
    if device.host != _ALSA_HOST or _HARDWARE in device.name or device.rate != _GUESSED_RATE:
        return device.rate
    wanted = _pipewire_rate() or USUAL_RATE
    try:
        load_portaudio().check_output_settings(device.index, CHANNELS, "float32", None, wanted)
    except Exception:  # noqa: BLE001 - PortAudio's own error, or one of a library that is gone meanwhile
        return device.rate
    return wanted


def _pipewire_rate() -> float | None:
    # What `pw-metadata` prints has a line for each: update: id:0 key:'clock.rate' value:'48000' type:''
    try:
        told = subprocess.run(
            ["pw-metadata", "-n", "settings", "0"],  # noqa: S607 - wherever the system keeps it
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=_TELL_SECONDS,
            check=False,
        ).stdout
    except (OSError, subprocess.SubprocessError, UnicodeDecodeError):
        return None
    rates = dict(re.findall(r"key:'clock\.(rate|force-rate)' value:'(\d{4,6})'", told))
    rate = float(rates.get("force-rate") or rates.get("rate") or 0.0)
    return rate if RATES[0] <= rate <= RATES[1] else None


def find_native(wanted: str, servers: list[AudioDevice]) -> AudioDevice | None:
    """Return the device of a JACK server that is meant, or None if none is.

    Parameters
    ----------
    wanted : str
        As `find_output` takes it.
    servers : list of AudioDevice
        The server itself first, then what it plays through.

    Raises
    ------
    DeviceError
        If the name means several.
    """
    part = wanted.casefold()
    for device in servers:
        if part in {device.name.casefold(), device.label.casefold()}:
            return device
    named = [device for device in servers[1:] if part in device.name.casefold() or part in device.label.casefold()]
    if not named:
        return None
    return _named(wanted, named, "")


def find_output(wanted: str | None, devices: list[AudioDevice]) -> AudioDevice:
    """Return the output that is meant.

    Parameters
    ----------
    wanted : str or None
        Name, part of a name, or either with the host in brackets; upper and lower case alike. None means JACK
        where a server answers, else the default device.
    devices : list of AudioDevice

    Raises
    ------
    DeviceError
        If there is none, or the name means several.
    """
    outputs = [device for device in devices if device.outputs >= CHANNELS]
    if wanted is None:
        defaults = sorted((device for device in outputs if device.default), key=lambda d: not d.jack)
        if not defaults:
            raise DeviceError("there is no audio device with two outputs.")
        return defaults[0]
    start = f"there is no audio device {wanted!r} with two outputs"
    if not outputs:
        raise DeviceError(f"{start}; none is connected. Play without one: --audio off.")
    return _named(wanted, outputs, start)


def find_input(wanted: str, devices: list[AudioDevice], output: AudioDevice) -> AudioDevice:
    """Return the live input that is meant; it has to belong to the same host system as the output.

    Parameters
    ----------
    wanted : str
        Name, or part of it, as `find_output` takes it; empty means the output's own device, else the one that its
        host system listens to by default.
    devices : list of AudioDevice
    output : AudioDevice

    Raises
    ------
    DeviceError
        If there is none, or the name means several.
    """
    inputs = [device for device in devices if device.inputs > 0 and device.host == output.host]
    if wanted:
        start = f"there is no live input {wanted!r} in {output.host}"
        if not inputs:
            raise DeviceError(f"{start}; none is connected.")
        return _named(wanted, inputs, start)
    own = [device for device in inputs if device.index == output.index]
    for device in [*own, *(device for device in inputs if device.default_input)]:
        return device
    raise DeviceError(f"there is no live input in {output.host}.")


def _named(wanted: str, devices: list[AudioDevice], start: str) -> AudioDevice:
    part = wanted.casefold()
    for matches in (
        [device for device in devices if part in {device.name.casefold(), device.label.casefold()}],
        [device for device in devices if part in device.label.casefold()],
    ):
        if len(matches) == 1:
            return matches[0]
        if matches:
            raise DeviceError(f"{wanted!r} could be {_listed(matches)}; name one of them in full.")
    folded = {device.name.casefold(): device for device in devices}
    near = difflib.get_close_matches(part, folded, n=3, cutoff=0.4)
    if near:
        raise DeviceError(f"{start}; did you mean {_listed([folded[name] for name in near])}?")
    raise DeviceError(f"{start}; there is {_listed(devices[:5])}.")


def _listed(devices: list[AudioDevice]) -> str:
    return " or ".join(repr(device.label) for device in devices)
