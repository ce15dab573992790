"""The studio without hardware: servers come and go without using the machine up."""

from __future__ import annotations

import os
import signal
import subprocess

import pytest

from tools.trials.stand_ins import jack_server

PLACES = 8
"""JACK servers a machine has room for: MAX_SERVERS in shm.h of JACK2."""


@pytest.mark.realtime
def test_killed_servers_use_up_no_places() -> None:
    for rate in range(8000, 8000 + PLACES + 1):
        with jack_server(rate, 1024) as name:
            found = subprocess.run(["pgrep", "-f", f"jackd -n {name} "], capture_output=True, check=True)
            os.kill(int(found.stdout), signal.SIGKILL)
            os.waitid(os.P_PID, int(found.stdout), os.WEXITED | os.WNOWAIT)
