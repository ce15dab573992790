"""Time until the sound is back after its server: python3 tools/benches/device_return.py [--returns N].

A show plays on a JACK server that is killed and started again, at random moments of the show's looking for it. Prints
when a second JACK client heard it again, from the moment on at which the server answered. Exit status 1 if it took
longer than `LONGEST`.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import time
from contextlib import ExitStack, suppress
from pathlib import Path

from tools.trials.fault_studio import children_of, ear, end, end_in_order, memory_of, scratch
from tools.trials.known_environment import enter_known_environment
from tools.trials.stand_ins import jack_server

ROOT = Path(__file__).resolve().parents[2]
RATE, PERIOD = 48_000, 64

LONGEST = 2.0
"""Seconds; a performer is promised three."""

_PATIENCE = 15.0
_LEAST_GAP = 2 * PERIOD

PATCH = 'schema = 1\n[[layer]]\n[layer.source]\nkind = "harmonic"\npreset = "circle"\n'


def measure_returns(returns: int, audio: str) -> list[float]:
    """Return in how many seconds the sound was heard again, for each time that the server was killed."""
    found: list[float] = []
    with ExitStack() as ending:
        folder = scratch()
        ending.callback(shutil.rmtree, folder, ignore_errors=True)
        patch = folder / "circle.toml"
        patch.write_text(PATCH)
        name = f"return{os.getpid()}"
        ending.enter_context(jack_server(RATE, PERIOD, name))
        command = [
            *(sys.executable, "-m", "instrument.cli"),
            *("play", str(patch), "--no-window", "--audio", audio),
        ]
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_STATE_HOME": str(folder)}
        show = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL, cwd=ROOT)
        ending.callback(end, show)
        memory = memory_of(show)
        ending.callback(memory.close)
        while int(memory.record["ring_at"]) < RATE and show.poll() is None:
            time.sleep(0.05)
        for _ in range(returns):
            for number in children_of(os.getpid(), f"jackd -n {name} "):
                os.kill(number, signal.SIGKILL)
                with suppress(ChildProcessError):
                    os.waitpid(number, 0)
            listener = ear(_LEAST_GAP)
            time.sleep(random.uniform(0.5, 1.5))
            ending.enter_context(jack_server(RATE, PERIOD, name))
            back = time.monotonic()
            while not listener.said and time.monotonic() < back + _PATIENCE:
                time.sleep(0.02)
            found.append(float(listener.said[0][1]) - back if listener.said else float("inf"))
            time.sleep(0.5)
            listener.end()
    return found


def main() -> int:
    """Run from the command line."""
    enter_known_environment()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--returns", type=int, default=10)
    parser.add_argument("--audio", default="jack", help="system plays through PortAudio until the first return")
    given = parser.parse_args()
    end_in_order()
    found = measure_returns(given.returns, given.audio)
    print(
        f"{len(found)} returns: heard again after a median of {statistics.median(found):.2f} s, "
        f"at the longest {max(found):.2f} s"
    )
    return 0 if max(found) <= LONGEST else 1


if __name__ == "__main__":
    sys.exit(main())
