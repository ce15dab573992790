"""Children have nothing of the desktop that tests are run on."""

import os
import subprocess
import sys
from pathlib import Path

from tools.trials.known_environment import known_environment

DESKTOP = {
    "DISPLAY": ":0",
    "WAYLAND_DISPLAY": "wayland-0",
    "XAUTHORITY": "/run/user/1000/authority",
    "DBUS_SESSION_BUS_ADDRESS": "unix:path=/run/user/1000/bus",
    "XDG_RUNTIME_DIR": "/run/user/1000",
    "SDL_VIDEODRIVER": "wayland",
    "SDL_VIDEO_X11_WMCLASS": "pytest",
    "PULSE_SERVER": "quay",
    "JACK_DEFAULT_SERVER": "quay",
    "GDK_SCALE": "2",
}
NEEDED = {"PATH": "/usr/bin", "HOME": "/there", "LC_ALL": "C", "TMPDIR": "/tmp", "CI": "true", "HTTPS_PROXY": "quay"}


def test_what_a_program_needs_is_kept_and_the_desktop_is_not() -> None:
    assert known_environment({**DESKTOP, **NEEDED}) == NEEDED


BEGINS_ANOTHER = """
import subprocess, sys
from tools.trials.known_environment import enter_known_environment
enter_known_environment()
subprocess.run([sys.executable, "-c", "import os; print(*os.environ)"], check=True)
"""


def test_a_child_meets_no_desktop() -> None:
    environment = {**os.environ, **DESKTOP, "PYTHONPATH": str(Path(__file__).parents[3])}
    command = [sys.executable, "-c", BEGINS_ANOTHER]
    seen = subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout.split()
    assert not set(seen) & DESKTOP.keys()
    assert "PATH" in seen


def test_the_tests_themselves_meet_none() -> None:
    assert not {"DISPLAY", "WAYLAND_DISPLAY", "DBUS_SESSION_BUS_ADDRESS"} & os.environ.keys()
