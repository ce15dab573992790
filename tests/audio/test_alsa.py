"""PortAudio plays through ALSA itself, without a sound server: a device of ALSA's own that writes what it hears to a pipe."""

from __future__ import annotations

import os
import select
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Self

import numpy as np
import pytest

from tests.show.listening import wait_until
from tests.show.playing import Playing

if TYPE_CHECKING:
    import numpy.typing as npt

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("ALSA")]

RATE = 48_000
CONFIGURATION = Path("/usr/share/alsa/alsa.conf")
"""Where Linux distributions put what every ALSA device is described with."""

BUOY = """schema = 1
[[layer]]
level = 0.5
[layer.source]
kind = "harmonic"
preset = "circle"
[layer.pen]
frequency = 97
"""
"""A circle, no two samples of which are alike for a second."""

PIER = 'pcm.pier {{ type file slave.pcm {{ type null }} file "{pipe}" format raw }}\n'
_FRAME = 2 * np.dtype(np.float32).itemsize


class Pier:
    """The far end of the device: takes sound at its own pace, which ALSA's device waits for, until it is pulled."""

    def __init__(self, pipe: Path) -> None:
        self._pipe = pipe
        self._data = bytearray()
        self._pulled = threading.Event()
        self._thread = threading.Thread(target=self._take, daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        self._pulled.set()
        self._thread.join(5)

    def _take(self) -> None:
        # For writing too, so that whoever only looks at the device and goes again leaves no end of file behind.
        pipe = os.open(self._pipe, os.O_RDWR | os.O_NONBLOCK)
        began = time.monotonic()
        while not self._pulled.is_set():
            if select.select([pipe], [], [], 0.02)[0]:
                self._data += os.read(pipe, 256 * _FRAME)
                due = began + len(self._data) / _FRAME / RATE
                self._pulled.wait(max(due - time.monotonic(), 0.0))
            else:
                began = time.monotonic() - len(self._data) / _FRAME / RATE
        os.close(pipe)

    @property
    def heard(self) -> npt.NDArray[np.float32]:
        """All frames so far."""
        data = bytes(self._data)
        return np.frombuffer(data[: len(data) // _FRAME * _FRAME], np.float32).reshape(-1, 2)


@pytest.fixture
def pipe(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Pipe behind an ALSA device named ``pier``, where no JACK server is found."""
    if sys.platform != "linux" or not CONFIGURATION.exists():
        if os.environ.get("CI") == "true":
            raise FileNotFoundError(CONFIGURATION)
        pytest.skip("ALSA is not here")
    pipe, devices = tmp_path / "pipe", tmp_path / "asoundrc"
    os.mkfifo(pipe)
    devices.write_text(PIER.format(pipe=pipe))
    monkeypatch.setenv("ALSA_CONFIG_PATH", f"{CONFIGURATION}:{devices}")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody")
    return pipe


def test_it_gets_every_sample_in_real_time_and_is_played_again_when_it_has_been_pulled(
    pipe: Path, tmp_path: Path
) -> None:
    patch = tmp_path / "buoy.toml"
    patch.write_text(BUOY)
    with Pier(pipe) as pier, Playing([patch], audio="pier", rate=RATE) as show:
        engine = show.engine()
        began = time.monotonic()
        wait_until(lambda: len(pier.heard) >= RATE, "a second")
        assert time.monotonic() - began > 0.5
        # PortAudio begins with silence.
        sound = pier.heard[np.flatnonzero(pier.heard.any(axis=1))[0] :]
        np.testing.assert_array_equal(sound, engine.record["ring"][: len(sound)])
        assert np.hypot(*sound[-1]) == pytest.approx(0.5)
        devices = tmp_path / "asoundrc"
        described = devices.read_text()
        devices.write_text("")
        pier.__exit__()
        show.wait_for("pier (ALSA) has stopped: playing on a silent clock until it is back.")
        before = engine.time
        wait_until(lambda: engine.time > before + RATE // 4, "the silent clock")
        with Pier(pipe) as again:
            devices.write_text(described)
            wait_until(lambda: bool(again.heard[-480:].any()), "the sound")
            show.wait_for("pier (ALSA) is back: playing through it again.")
            assert show.end() == 0
