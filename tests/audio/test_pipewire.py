"""A desktop's sound server: played through its JACK layer, through ALSA and through PortAudio, while it changes and dies."""

from __future__ import annotations

import os
import signal
import statistics
import time
from typing import TYPE_CHECKING

import numpy as np
import psutil
import pytest

from instrument.audio.correction_table import Correction
from instrument.audio.profile import save_profile
from tests.audio.far_ear import FarEar, Heard
from tests.show.listening import wait_until
from tests.show.playing import LEVELS, Playing
from tools.trials.pipewire_studio import SINK, PipeWireStudio, missing_parts

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from instrument.engine.engine import Engine

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("PipeWire")]

BUOY = """schema = 1
title = "Buoy"
[[layer]]
level = 0.5
[layer.source]
kind = "harmonic"
preset = "circle"
[layer.pen]
frequency = 97.0137
"""
"""A circle, no two samples of which are alike for as long as a test takes."""

OTHER = "Pier"
"""Description of a second sink."""

PORTAUDIO_JACK = f"{SINK} (JACK Audio Connection Kit)"


@pytest.fixture
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PipeWireStudio]:
    """A desktop of its own for each test, which may let its parts die, with profiles of its own."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    if sentence := missing_parts():
        if os.environ.get("CI") == "true":
            raise RuntimeError(sentence)
        pytest.skip(sentence)
    with PipeWireStudio() as studio:
        yield studio


@pytest.fixture
def buoy(tmp_path: Path) -> Path:
    path = tmp_path / "buoy.toml"
    path.write_text(BUOY)
    return path


def same_as_made(heard: Heard, engine: Engine) -> int:
    """Compare every period that was heard with what the engine made, bit for bit, and return the frames that were.

    A period that the server lost, on its way to the device or to us, is left out, if it is silence as a whole.
    """
    made = engine.record["ring"]
    places = {row.tobytes(): place for place, row in enumerate(made)}
    frames = 0
    for first in range(0, len(heard.sound) - heard.period + 1, heard.period):
        rows = slice(first, first + heard.period)
        sound = heard.sound[rows]
        if not heard.known[rows].all() or not sound.any():
            continue
        place = places.get(sound[0].tobytes())
        assert place is not None, f"frame {first} was never made"
        expected = made[np.arange(place, place + len(sound)) % len(made)]
        np.testing.assert_array_equal(sound, expected)
        frames += len(sound)
    return frames


def latest(show: Playing, words: str, said_before: int) -> None:
    """Wait until something is said anew."""
    wait_until(lambda: any(words in line for line in show.said[said_before:]), f"{words!r} in {show.said}", 60.0)


def wait_for_circle(ear: FarEar, device: str = SINK, radius: float = 0.5) -> None:
    """Wait until a sink gets the circle, in a recording that is short of a fifth of a second."""

    def heard() -> bool:
        found = ear.hear(device, 0.2)
        return bool(np.isclose(np.hypot(*found.sound[found.known].T), radius, atol=1e-3).mean() > 0.5)

    wait_until(heard, "the circle")


class TestJackLayer:
    def test_the_sink_hears_what_the_engine_made_and_messages_act_on_their_frames(
        self, studio: PipeWireStudio, buoy: Path, tmp_path: Path
    ) -> None:
        levels = tmp_path / "levels.toml"
        levels.write_text(LEVELS)
        with FarEar(studio.environment) as ear:
            with Playing([buoy], environment=studio.environment) as show:
                engine = show.engine()
                assert same_as_made(ear.hear(SINK, 2.0), engine) > 48_000
                show.wait_for("playing Buoy through jack (JACK), 48000 Hz")
                assert show.end() == 0
            messages = [(479 * k, (0xB0, 1, 1 + k)) for k in range(100)]
            with Playing([levels], environment=studio.environment) as show:
                engine = show.engine()
                heard, sent = ear.send_and_hear(SINK, messages, 2.0)
                assert show.end() == 0
        assert len(sent) == len(messages)
        x = heard.sound[:, 0]
        # From one level to the next; where sound comes back after a period that was lost its level is older than that.
        steps = [at for at in np.flatnonzero(np.diff(x)) + 1 if heard.known[at - 1 : at + 1].all() and x[at - 1] != 0]
        levels_heard = {float(x[at]): int(at) + heard.first for at in steps}
        waits = [
            levels_heard[level] - frame
            for (_, (_, _, value)), frame in zip(messages, sent, strict=True)
            if (level := float(np.float32(value / 127 * 0.5))) in levels_heard
        ]
        # A period that is lost takes its message along, or brings it late; all others take the same time, to the frame.
        assert len(waits) > len(messages) // 2
        assert min(waits) == statistics.mode(waits)
        assert waits.count(min(waits)) > 0.9 * len(waits)

    def test_it_follows_the_default_device_with_that_devices_profile_and_comes_back(
        self, studio: PipeWireStudio, buoy: Path
    ) -> None:
        save_profile(f"{OTHER} (JACK)", Correction().with_values({"gain.x": "0.5", "gain.y": "0.5"}))
        with FarEar(studio.environment) as ear, Playing([buoy], environment=studio.environment) as show:
            show.engine()
            wait_for_circle(ear)
            studio.plug(OTHER)
            studio.make_default(OTHER)
            show.wait_for(f"corrected for the display behind {OTHER} (JACK)")
            wait_for_circle(ear, OTHER, 0.25)
            said = len(show.said)
            studio.pull(OTHER)
            latest(show, f"plays into {SINK} now", said)
            wait_for_circle(ear)
            assert show.end() == 0

    @pytest.mark.realtime
    def test_a_device_that_is_named_is_waited_for_when_it_is_pulled(self, studio: PipeWireStudio, buoy: Path) -> None:
        studio.plug(OTHER)
        with FarEar(studio.environment) as ear, Playing([buoy], audio="pier", environment=studio.environment) as show:
            show.engine()
            show.wait_for(f"playing Buoy through {OTHER} (JACK)")
            wait_for_circle(ear, OTHER)
            studio.pull(OTHER)
            show.wait_for(f"{OTHER} (JACK) is connected to nothing, and nobody hears it")
            studio.plug(OTHER)
            plugged = time.monotonic()
            show.wait_for(f"{OTHER} is there again, and played into.")
            wait_for_circle(ear, OTHER)
            assert time.monotonic() - plugged < 3.0
            assert show.end() == 0

    @pytest.mark.realtime
    def test_another_rate_and_another_block_are_taken_on_while_it_plays(
        self, studio: PipeWireStudio, buoy: Path
    ) -> None:
        with FarEar(studio.environment) as ear, Playing([buoy], environment=studio.environment) as show:
            engine = show.engine()
            studio.set_clock(quantum=512)
            wait_until(lambda: int(engine.record["counters"]["largest_block"]) == 512, "longer blocks")
            heard = ear.hear(SINK, 1.0)
            assert heard.period == 512
            assert same_as_made(heard, engine) > 12_000
            changed = time.monotonic()
            studio.set_clock(rate=44_100)
            show.wait_for("jack (JACK) has changed from 48000 to 44100 Hz: playing on a silent clock")
            show.wait_for("jack (JACK) is back: playing through it again")
            wait_for_circle(ear)
            assert time.monotonic() - changed < 3.0
            assert show.end() == 0

    @pytest.mark.realtime
    def test_it_is_heard_again_when_the_server_and_its_sink_are_back(self, studio: PipeWireStudio, buoy: Path) -> None:
        with Playing([buoy], environment=studio.environment) as show:
            engine = show.engine()
            studio.crash()
            show.wait_for("jack (JACK) has stopped: playing on a silent clock")
            before = engine.time
            wait_until(lambda: engine.time > before + 4800, "the silent clock")
            studio.begin()
            back = time.monotonic()
            with FarEar(studio.environment) as ear:
                wait_for_circle(ear)
                assert time.monotonic() - back < 3.0
                show.wait_for("jack (JACK) is back: playing through it again")
                assert show.end() == 0

    def test_a_server_that_hangs_holds_up_neither_the_show_nor_its_end(
        self, studio: PipeWireStudio, buoy: Path
    ) -> None:
        with Playing([buoy], environment=studio.environment) as show:
            engine = show.engine()
            studio.freeze()
            show.wait_for("jack (JACK) does not answer: playing on a silent clock")
            before = engine.time
            wait_until(lambda: engine.time > before + 4800, "the silent clock")
            assert show.end() == 0
            studio.thaw()


class TestAlsa:
    def test_the_sink_hears_what_the_engine_made_at_the_servers_rate(self, studio: PipeWireStudio, buoy: Path) -> None:
        with FarEar(studio.environment) as ear, Playing([buoy], environment=studio.without_jack) as show:
            engine = show.engine()
            show.wait_for("playing Buoy through default (ALSA), 48000 Hz")
            assert same_as_made(ear.hear(SINK, 1.0), engine) > 12_000
            assert show.end() == 0

    def test_longer_blocks_than_its_buffers_hold_are_taken_on_while_it_plays(
        self, studio: PipeWireStudio, buoy: Path
    ) -> None:
        with FarEar(studio.environment) as ear, Playing([buoy], environment=studio.without_jack) as show:
            show.engine()
            studio.set_clock(quantum=1024)
            show.wait_for("default (ALSA) does not answer: playing on a silent clock")
            show.wait_for("default (ALSA) is back: playing through it again")
            wait_for_circle(ear)
            assert show.end() == 0

    @pytest.mark.realtime
    def test_it_is_heard_again_when_the_server_and_its_sink_are_back(self, studio: PipeWireStudio, buoy: Path) -> None:
        with Playing([buoy], environment=studio.without_jack) as show:
            show.engine()
            studio.crash()
            show.wait_for("playing on a silent clock until it is back")
            studio.begin()
            back = time.monotonic()
            with FarEar(studio.environment) as ear:
                wait_for_circle(ear)
                assert time.monotonic() - back < 3.0
                show.wait_for("default (ALSA) is back: playing through it again")
                assert show.end() == 0

    def test_a_thread_of_portaudios_that_never_ends_is_left_behind_and_costs_next_to_nothing(
        self, studio: PipeWireStudio, buoy: Path
    ) -> None:
        with Playing([buoy], environment=studio.without_jack) as show:
            engine = show.engine()
            # While it stands still its buffers run empty, so that PortAudio recovers from an underrun of a device that
            # has gone: it goes round in its own error branch for ever.
            show.process.send_signal(signal.SIGSTOP)
            studio.crash()
            show.process.send_signal(signal.SIGCONT)
            show.wait_for("playing on a silent clock until it is back")
            said = list(show.said)
            process = psutil.Process(show.process.pid)
            before, began = process.cpu_times(), engine.time
            wait_until(lambda: engine.time > began + 96_000, "two seconds of the silent clock")
            after = process.cpu_times()
            assert after.user + after.system - before.user - before.system < 1.0
            assert [line for line in show.said if "Expression" in line or "ALSA lib" in line] == []
            assert said[: len(said)] == show.said[: len(said)]
            assert show.end() == 0

    def test_a_server_that_hangs_holds_up_neither_the_show_nor_its_end(
        self, studio: PipeWireStudio, buoy: Path
    ) -> None:
        with Playing([buoy], environment=studio.without_jack) as show:
            engine = show.engine()
            studio.freeze()
            show.wait_for("default (ALSA) does not answer: playing on a silent clock")
            before = engine.time
            wait_until(lambda: engine.time > before + 4800, "the silent clock")
            assert show.end() == 0
            studio.thaw()


def test_through_portaudio_and_jack_the_sink_hears_what_the_engine_made(studio: PipeWireStudio, buoy: Path) -> None:
    with (
        FarEar(studio.environment) as ear,
        Playing([buoy], audio=PORTAUDIO_JACK, environment=studio.environment) as show,
    ):
        engine = show.engine()
        show.wait_for(f"playing Buoy through {PORTAUDIO_JACK}, 48000 Hz")
        assert same_as_made(ear.hear(SINK, 1.0), engine) > 12_000
        assert show.end() == 0
