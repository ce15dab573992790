"""A correction heard through a real server's ports, while it is adjusted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.audio.correction_table import Correction
from instrument.audio.jack.jack_driver import JackDriver
from instrument.audio.jack.server import jack_devices
from instrument.audio.output_channels import Outputs
from instrument.audio.profile import save_profile
from instrument.engine.engine import Engine
from instrument.engine.program import Program, new_program
from tests.show.listening import Listener, wait_until
from tests.show.playing import LEVELS, Playing

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("JACK")]


def standing(x: float, y: float) -> Program:
    program = new_program()
    program.record["fade_seconds"] = 0.0
    program.record["ramp_seconds"] = 0.0
    program.set("output.offset.x", x)
    program.set("output.offset.y", y)
    return program


def test_the_device_gets_what_was_adjusted_last_and_the_ring_what_the_patch_draws(jack: str) -> None:
    device = next(iter(jack_devices()), None)
    assert device is not None
    engine = Engine(device.rate)
    engine.play(standing(0.5, -0.25))
    outputs = Outputs(correction=Correction().with_values({"gain.x": 0.5}))
    with Listener(jack) as listener, JackDriver(engine, device, outputs=outputs) as driver:
        driver.start()
        listener.hear()
        wait_until(lambda: listener.heard[max(listener.frames - 1, 0), 0] == 0.25, "the profile's gain")
        assert driver.corrector is not None
        driver.corrector.set(Correction().with_values({"swap": True, "offset.y": 0.125}))
        wait_until(lambda: listener.heard[listener.frames - 1].tolist() == [-0.25, 0.625], "what was adjusted")
        ring = engine.record["ring"][: min(engine.time, int(engine.record["ring_frames"]))].copy()
    assert (ring[1000:] == np.array([0.5, -0.25], np.float32)).all()


def test_play_corrects_what_portaudio_plays_by_the_profile_of_its_device(
    jack: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    save_profile("system (JACK Audio Connection Kit)", Correction().with_values({"swap": True, "gain.y": 0.5}))
    patch = tmp_path / "levels.toml"
    patch.write_text(LEVELS)
    with Listener(jack, 10.0) as listener, Playing([patch], audio="system") as show:
        show.engine()
        show.wait_for("corrected for the display behind system (JACK Audio Connection Kit): swap on, gain.y 0.5")
        listener.hear("PortAudio")
        wait_until(lambda: listener.heard[listener.frames - 1].tolist() == [0.0, 0.125], "the corrected picture")
        assert show.end() == 0
