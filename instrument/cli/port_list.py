"""Everything that can be plugged in: audio devices and MIDI ports, as the command lists them."""

from __future__ import annotations

from contextlib import suppress
from typing import TypedDict

from instrument.audio.devices import AudioDevice, audio_devices
from instrument.audio.driver import DeviceError
from instrument.audio.jack.jack_driver import jack_device
from instrument.common.quiet_libraries import quiet_libraries
from instrument.midi.message_decoder import MidiError
from instrument.midi.rtmidi_ports import input_names, midi_api, output_names


class AudioRow(TypedDict):
    """One audio device: channels and its own sample rate in hertz."""

    name: str
    host: str
    inputs: int
    outputs: int
    rate: float


class Ports(TypedDict):
    """Everything found."""

    audio: list[AudioRow]
    midi_in: list[str]
    midi_out: list[str]


def list_ports() -> Ports:
    """Return every audio device and MIDI port; a system that is not there has none.

    MIDI ports are those of JACK where a server answers, as they would be for playing.
    """
    server = jack_device()
    devices: list[AudioDevice] = [server] if server is not None else []
    with suppress(DeviceError):
        devices += audio_devices()
    found = Ports(audio=[_row(device) for device in devices], midi_in=[], midi_out=[])
    with suppress(MidiError), quiet_libraries():
        api = midi_api(jack=any(device.jack for device in devices))
        found["midi_in"], found["midi_out"] = input_names(api), output_names(api)
    return found


def _row(device: AudioDevice) -> AudioRow:
    return AudioRow(
        name=device.name,
        host=device.host,
        inputs=device.inputs,
        outputs=device.outputs,
        rate=device.rate,
    )
