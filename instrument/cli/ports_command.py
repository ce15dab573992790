"""`beamhand ports`: audio devices and MIDI ports that are there."""

from __future__ import annotations

import json
from contextlib import suppress
from typing import TYPE_CHECKING, TypedDict

from instrument.cli.command_options import Json
from instrument.cli.messages import answer, say

if TYPE_CHECKING:
    from instrument.audio.devices import AudioDevice


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


def ports(as_json: Json = False) -> None:
    """List audio devices and MIDI ports."""
    found = list_ports()
    if as_json:
        answer(json.dumps(found))
        return
    for device in found["audio"]:
        channels = f"{device['inputs']} in, {device['outputs']} out"
        answer(f"audio     {device['name']}  ({device['host']}, {channels}, {device['rate']:g} Hz)")
    for name in found["midi_in"]:
        answer(f"midi in   {name}")
    for name in found["midi_out"]:
        answer(f"midi out  {name}")
    if not any(found.values()):
        say("no audio device and no MIDI port found")


def list_ports() -> Ports:
    """Return every audio device and MIDI port; a system that is not there has none.

    MIDI ports are those of JACK where a server answers, as they would be for playing.
    """
    from instrument.audio.devices import audio_devices
    from instrument.audio.driver import DeviceError
    from instrument.audio.jack.server import jack_devices
    from instrument.common.quiet_libraries import quiet_libraries
    from instrument.midi.message_decoder import MidiError
    from instrument.midi.rtmidi_ports import input_names, midi_api, output_names

    devices: list[AudioDevice] = jack_devices()
    with suppress(DeviceError):
        devices += audio_devices()
    found = Ports(audio=[_row(device) for device in devices], midi_in=[], midi_out=[])
    with suppress(MidiError), quiet_libraries():
        api = midi_api(jack=any(device.jack for device in devices))
        found["midi_in"], found["midi_out"] = input_names(api), output_names(api)
    return found


def _row(device: AudioDevice) -> AudioRow:
    from instrument.audio.devices import own_rate

    return AudioRow(
        name=device.name,
        host=device.host,
        inputs=device.inputs,
        outputs=device.outputs,
        rate=own_rate(device),
    )
