"""PortAudio plays through a real device, with the compiled callback."""

from __future__ import annotations

import itertools
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.show.listening import Listener
from tests.sound_servers import PERIOD

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("JACK")]


# PortAudio looks for servers once in a process, so what needs one found is run in a process of its own.
PLAY = """
import sys, time
from instrument.engine.engine import Engine
from instrument.audio.choice import choose_driver
from instrument.audio.driver import DeviceError
rate, block = float(sys.argv[2]) or None, int(sys.argv[3]) or None
try:
    choice = choose_driver(sys.argv[1] or None, rate, block, *sys.argv[4:])
    engine = Engine(choice.rate)
    with choice.open(engine) as driver:
        driver.start()
        time.sleep(0.5)
        assert driver.running
        counters = engine.record["counters"]
        if driver.input_channels:
            print("input", driver.input_channels, engine.record["input_channels"], engine.record["input_rows"][:, -1])
        print(driver.name, driver.jack, driver.rate, driver.block, int(counters["frames"]), driver.latency)
        driver.stop()
        assert not driver.running
except DeviceError as error:
    print(error)
    sys.exit(1)
"""


def play(audio: str = "", rate: float = 0, block: int = 0, live: str | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", PLAY, audio, str(rate), str(block), *([] if live is None else [live])]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


def test_a_jack_server_is_found_and_played_at_its_own_rate_and_period(jack: str) -> None:
    assert jack
    ended = play("system")
    assert ended.returncode == 0, ended.stderr
    name, rest = ended.stdout.split(") ")
    assert name == "system (JACK Audio Connection Kit"
    is_jack, rate, block, frames, latency = rest.split()
    assert (is_jack, float(rate), int(block)) == ("True", 48_000.0, 64)
    assert 0.3 * 48_000 < int(frames) < 0.8 * 48_000
    assert 0 <= float(latency) < 0.05


def test_a_block_of_ones_own_is_kept(jack: str) -> None:
    assert jack
    ended = play("system", block=480)
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.split(") ")[1].split()[2] == "480"


def test_a_rate_that_the_device_refuses_is_one_sentence(jack: str) -> None:
    assert jack
    ended = play("system", rate=96_000)
    assert ended.returncode == 1
    assert ended.stdout == ("system (JACK Audio Connection Kit) refuses 96000 Hz; it runs at 48000 (--rate 48000).\n")


def test_a_device_that_is_not_there_is_one_sentence(jack: str) -> None:
    assert jack
    ended = play("lighthouse")
    assert ended.returncode == 1
    assert ended.stdout.startswith("there is no audio device 'lighthouse' with two outputs; ")
    assert ended.stdout.count("\n") == 1


def test_a_live_input_is_handed_to_the_engine_with_its_channels(jack: str) -> None:
    with Listener(jack) as listener:
        listener.tone = 0.375
        ended = play("system", live="listener")
        assert ended.returncode == 0, ended.stderr
        assert ended.stdout.startswith("input 1 1 [0.375 0.375]\n")
        ended = play("system", live="")
        assert ended.returncode == 0, ended.stderr
        assert ended.stdout.startswith("input 2 2 [0. 0.]\n")


def test_a_live_input_that_is_not_there_is_one_sentence(jack: str) -> None:
    assert jack
    ended = play("system", live="lighthouse")
    assert ended.returncode == 1
    assert ended.stdout.startswith("there is no live input 'lighthouse' in JACK Audio Connection Kit; ")
    assert ended.stdout.count("\n") == 1


HOGGED = """
import sys, threading, time
import numpy as np
from instrument.engine.engine import Engine
from instrument.engine.program import new_program
from instrument.audio.choice import choose_driver

program = new_program()
program.draw_harmonic(0, (np.array([[0.5, 1.0, 0.25]]), np.array([[0.5, 1.37, 0.0]]), np.zeros((0, 3))))
program.set("layer.1.pen.frequency", 441.3)
choice = choose_driver(sys.argv[2], None, None)
engine = Engine(choice.rate)
engine.play(program)
with choice.open(engine) as driver:
    driver.start()
    ending = time.monotonic() + 3

    def hog():
        while time.monotonic() < ending:
            sum(range(1000))

    hogs = [threading.Thread(target=hog) for _ in range(2)]
    for thread in hogs:
        thread.start()
    for thread in hogs:
        thread.join()
    np.save(sys.argv[1], engine.record["ring"][: int(engine.record["ring_at"])])
"""


@pytest.mark.realtime
@pytest.mark.parametrize(("audio", "client"), [("jack", "Beamhand"), ("system", "PortAudio")])
def test_the_engines_own_bits_leave_the_device_while_threads_hog_python(
    jack: str, tmp_path: Path, audio: str, client: str
) -> None:
    """A period that the server itself loses is silent, is heard once more, or is torn; no other differs by a bit."""
    file = tmp_path / "made.npy"
    player = subprocess.Popen([sys.executable, "-c", HOGGED, str(file), audio])
    try:
        with Listener(jack, seconds=1.0) as listener:
            listener.hear(client)
            listener.wait_for_sound()
        assert player.wait(120) == 0
    finally:
        player.kill()
        player.wait()
    made = np.load(file)
    places = {frame.tobytes(): k for k, frame in enumerate(made)}  # no two of which are alike
    periods = [part for part in np.split(listener.heard, range(PERIOD, len(listener.heard), PERIOD)) if part.any()]
    at = [places.get(part[0].tobytes(), -1) for part in periods]
    whole = [k >= 0 and np.array_equal(made[k : k + len(part)], part) for k, part in zip(at, periods, strict=True)]
    assert sum(whole) > len(whole) // 2
    # The first may have begun amid a period of ours, and the last is cut off.
    assert whole[1:-1].count(False) <= 2 * listener.xruns
    breaks = sum(later != now + PERIOD for now, later in itertools.pairwise(at[1:-1]))
    assert breaks <= 4 * listener.xruns
