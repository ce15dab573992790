"""What can be plugged in is listed."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from instrument.audio.driver import DeviceError
from instrument.cli.ports_command import list_ports
from tests.show.listening import Listener

LIST = "import json; from instrument.cli.ports_command import list_ports; print(json.dumps(list_ports()))"


@pytest.mark.device
@pytest.mark.xdist_group("JACK")
def test_a_jack_server_and_other_programs_ports_are_listed(jack: str) -> None:
    with Listener(jack):
        listed = subprocess.run([sys.executable, "-c", LIST], capture_output=True, text=True, check=True)
    found = json.loads(listed.stdout)
    assert set(found) == {"audio", "midi_in", "midi_out"}
    # The server itself, and as PortAudio sees it.
    for name, host in (("jack", "JACK"), ("system", "JACK Audio Connection Kit")):
        server = next(row for row in found["audio"] if row["name"] == name)
        assert server == {"name": name, "host": host, "inputs": 2, "outputs": 2, "rate": 48_000.0}
    assert "listener:out" in found["midi_in"]
    assert not [name for name in found["midi_in"] if name.startswith("Beamhand")]
    assert listed.stderr == ""


def test_without_portaudio_there_are_no_devices_and_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing() -> list[object]:
        raise DeviceError("the PortAudio library cannot be used.")

    monkeypatch.setattr("instrument.audio.devices.audio_devices", missing)
    monkeypatch.setattr("instrument.audio.jack.server.jack_devices", list)
    found = list_ports()
    assert found["audio"] == []
    assert set(found) == {"audio", "midi_in", "midi_out"}
