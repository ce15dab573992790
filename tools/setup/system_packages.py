"""Parts that the operating system must bring, fetched where they are missing and that is allowed."""

import ctypes.util
import os
import shutil
import subprocess
import sys
import sysconfig
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

CI = os.environ.get("CI") == "true"

_APT = threading.Lock()
"""apt-get refuses to run twice at once."""


@dataclass(frozen=True)
class SystemPart:
    """One thing pip cannot install.

    Attributes
    ----------
    name : str
        What people call it.
    present : callable
        Looks on this machine, now.
    without : str
        What happens if it stays away, as the end of a sentence.
    packages : dict of str to tuple of str
        Package manager to the names it knows the part by. Names for apt-get are tried by the tests of
        this project; the others are from memory.
    """

    name: str
    present: Callable[[], bool]
    without: str
    packages: dict[str, tuple[str, ...]]


def _library_is_there(name: str) -> bool:
    return not sys.platform.startswith("linux") or ctypes.util.find_library(name) is not None


def _have_portaudio() -> bool:
    # The wheels of sounddevice carry PortAudio for macOS and Windows, not for Linux.
    return _library_is_there("portaudio")


_DUMMY_DRIVER = Path("/usr/lib/xorg/modules/drivers/dummy_drv.so")


def _have_pipewire() -> bool:
    tools = ("pipewire", "wireplumber", "wpctl", "pw-cli", "pw-metadata", "dbus-daemon")
    libraries = ("pipewire-0.3/jack/libjack.so.0", "alsa-lib/libasound_module_pcm_pipewire.so")
    places = [Path("/usr/lib64"), Path("/usr/lib"), *Path("/usr/lib").glob("*-linux-gnu*")]
    return all(map(shutil.which, tools)) and all(
        any((place / library).exists() for place in places) for library in libraries
    )


def _have_rtmidi_build_tools() -> bool:
    headers = (
        Path("/usr/include/alsa/asoundlib.h"),
        Path("/usr/include/jack/jack.h"),
        Path(sysconfig.get_path("include")) / "Python.h",
    )
    return all(shutil.which(tool) for tool in ("g++", "pkg-config")) and all(h.exists() for h in headers)


PORTAUDIO = SystemPart(
    name="PortAudio",
    present=_have_portaudio,
    without="no audio device can be opened through it",
    packages={
        "apt-get": ("libportaudio2",),
        "dnf": ("portaudio",),
        "pacman": ("portaudio",),
        "brew": ("portaudio",),
    },
)
WINDOW_LIBRARIES = SystemPart(
    name="libX11 and libXext",
    present=lambda: all(_library_is_there(name) for name in ("X11", "Xext")),
    without="no window can be opened on an X display, and the show plays without one",
    packages={
        "apt-get": ("libx11-6", "libxext6", "libxcursor1", "libxi6", "libxrandr2"),
        "dnf": ("libX11", "libXext", "libXcursor", "libXi", "libXrandr"),
        "pacman": ("libx11", "libxext", "libxcursor", "libxi", "libxrandr"),
    },
)
PYTHON_RTMIDI = SystemPart(
    name="python-rtmidi as the system packs it",
    present=lambda: Path("/usr/lib/python3/dist-packages/rtmidi").exists(),
    without="no controller is heard but through JACK",
    packages={"apt-get": ("python3-rtmidi",)},
)
PGREP = SystemPart(
    name="pgrep",
    present=lambda: shutil.which("pgrep") is not None,
    without="the tests that look for processes cannot run",
    packages={"apt-get": ("procps",), "dnf": ("procps-ng",), "pacman": ("procps-ng",)},
)
JACKD = SystemPart(
    name="the JACK server",
    present=lambda: shutil.which("jackd") is not None,
    without="the tests that play through real audio and MIDI ports cannot run",
    packages={
        "apt-get": ("jackd2",),
        "dnf": ("jack-audio-connection-kit",),
        "pacman": ("jack2",),
        "brew": ("jack",),
    },
)
PIPEWIRE = SystemPart(
    name="PipeWire with WirePlumber, its JACK layer and ALSA plugin",
    present=_have_pipewire,
    without="the tests that play through the sound server of today's desktops cannot run",
    packages={
        "apt-get": ("pipewire", "pipewire-bin", "pipewire-jack", "pipewire-alsa", "wireplumber", "dbus-daemon"),
        "dnf": (
            "pipewire",
            "pipewire-utils",
            "pipewire-jack-audio-connection-kit",
            "pipewire-alsa",
            "wireplumber",
            "dbus-daemon",
        ),
        "pacman": ("pipewire", "pipewire-jack", "pipewire-alsa", "wireplumber", "dbus"),
    },
)
XVFB = SystemPart(
    name="Xvfb",
    present=lambda: shutil.which("Xvfb") is not None,
    without="the tests that open a real window cannot run",
    packages={
        "apt-get": ("xvfb",),
        "dnf": ("xorg-x11-server-Xvfb",),
        "pacman": ("xorg-server-xvfb",),
    },
)
XDOTOOL = SystemPart(
    name="xdotool",
    present=lambda: shutil.which("xdotool") is not None,
    without="the tests that press keys in a real window cannot run",
    packages={
        "apt-get": ("xdotool",),
        "dnf": ("xdotool",),
        "pacman": ("xdotool",),
        "brew": ("xdotool",),
    },
)
TWO_DISPLAYS = SystemPart(
    name="an X server with two displays",
    present=lambda: all(shutil.which(tool) for tool in ("Xorg", "xrandr")) and _DUMMY_DRIVER.exists(),
    without="the test of the picture on a second display cannot run",
    packages={
        "apt-get": ("xserver-xorg-core", "xserver-xorg-video-dummy", "x11-xserver-utils"),
        "dnf": ("xorg-x11-server-Xorg", "xorg-x11-drv-dummy", "xrandr"),
        "pacman": ("xorg-server", "xf86-video-dummy", "xorg-xrandr"),
    },
)
WINDOW_MANAGERS = SystemPart(
    name="a window manager that stacks windows and one that tiles them",
    present=lambda: all(shutil.which(tool) for tool in ("openbox", "i3")),
    without="the tests of the window on a desktop cannot run",
    packages={
        "apt-get": ("openbox", "i3-wm"),
        "dnf": ("openbox", "i3"),
        "pacman": ("openbox", "i3-wm"),
    },
)
WAYLAND_COMPOSITOR = SystemPart(
    name="a Wayland compositor",
    present=lambda: shutil.which("weston") is not None,
    without="the test of the window on Wayland cannot run",
    packages={
        "apt-get": ("weston",),
        "dnf": ("weston",),
        "pacman": ("weston",),
    },
)
RTMIDI_BUILD_TOOLS = SystemPart(
    name="what python-rtmidi is built with",
    present=_have_rtmidi_build_tools,
    without="python-rtmidi, which has no ready-made wheel for this Python, cannot be built",
    packages={
        "apt-get": ("g++", "pkg-config", "python3-dev", "libasound2-dev", "libjack-jackd2-dev"),
        "dnf": ("gcc-c++", "pkgconf", "python3-devel", "alsa-lib-devel", "jack-audio-connection-kit-devel"),
        "pacman": ("gcc", "pkgconf", "alsa-lib", "jack2"),
        "brew": ("pkgconf", "jack"),
    },
)


def debian_venv(version: tuple[int, int]) -> SystemPart:
    """Give the part of Python that Debian packs apart: the one that makes virtual environments.

    Parameters
    ----------
    version : (int, int)
        Major and minor version of the interpreter.

    Returns
    -------
    SystemPart
    """

    def present() -> bool:
        look = [sys.executable, "-c", "import ensurepip, venv"]
        return subprocess.run(look, stderr=subprocess.DEVNULL, check=False).returncode == 0

    name = f"python{version[0]}.{version[1]}-venv"
    return SystemPart(
        name=f"Python's own venv and ensurepip ({name})",
        present=present,
        without="no .venv can be made",
        packages={"apt-get": (name,)},
    )


def get(parts: Sequence[SystemPart], *, required: bool = CI) -> None:
    """Install what is missing where that is allowed, and say plainly what stays missing.

    Parameters
    ----------
    parts : sequence of SystemPart
        What should be there.
    required : bool
        Whether to give up when a part stays missing. True under CI, where nothing may be left out.

    Raises
    ------
    SystemExit
        A required part stays missing; carries the sentence that says so.
    """
    missing = [part for part in parts if not part.present()]
    if not missing:
        return
    as_root = _root_prefix() if shutil.which("apt-get") else None
    if as_root is not None:
        names = [name for part in missing for name in part.packages.get("apt-get", ())]
        print(f"Installing {' '.join(names)} with apt-get.", file=sys.stderr, flush=True)
        with _APT:
            _apt_install(as_root, names)
        missing = [part for part in missing if not part.present()]
    if not missing:
        return
    sentence = explain(missing)
    if required:
        raise SystemExit(sentence)
    print(sentence, file=sys.stderr, flush=True)


def explain(missing: Sequence[SystemPart]) -> str:
    """Say what is missing, what that costs and what to type.

    Parameters
    ----------
    missing : sequence of SystemPart
        At least one part.

    Returns
    -------
    str
        One or two sentences.
    """
    what = ", ".join(part.name for part in missing)
    cost = "; ".join(part.without for part in missing)
    return f"Missing on this machine: {what} (without: {cost}). {_mend(missing)}"


def _mend(missing: Sequence[SystemPart]) -> str:
    if sys.platform == "win32":
        return "Look for each with 'winget search NAME', or take its own installer; Xvfb and xdotool are for Linux."
    for manager, command in (
        ("apt-get", "sudo apt-get install"),
        ("dnf", "sudo dnf install"),
        ("pacman", "sudo pacman -S"),
        ("brew", "brew install"),
    ):
        lists = [part.packages[manager] for part in missing if manager in part.packages]
        if shutil.which(manager) and lists:
            return f"To get it: {command} {' '.join(name for names in lists for name in names)}"
    return "Install it with this system's own package manager, then start again."


def _root_prefix() -> list[str] | None:
    """Words to put before a command that needs root; None where that would need a password."""
    if os.geteuid() == 0:
        return []
    if shutil.which("sudo"):
        ask = subprocess.run(["sudo", "-n", "true"], capture_output=True, check=False)
        if ask.returncode == 0:
            return ["sudo", "-n"]
    return None


def _apt_install(as_root: Sequence[str], names: Sequence[str]) -> None:
    # Another apt may be running (a fresh machine updates itself): wait for its lock, do not fail.
    apt = [
        *as_root,
        "env",
        "DEBIAN_FRONTEND=noninteractive",
        "apt-get",
        "-q",
        "-o",
        "DPkg::Lock::Timeout=120",
    ]
    install = [*apt, "install", "-y", "--no-install-recommends", *names]
    lists_are_fresh = False
    if not _apt_knows(names):
        _run([*apt, "update"])
        lists_are_fresh = True
    # Old lists name versions the mirror has dropped since; fresh ones are worth a second try.
    if _run(install) != 0 and not lists_are_fresh:
        _run([*apt, "update"])
        _run(install)


def _apt_knows(names: Sequence[str]) -> bool:
    show = ["apt-cache", "show", "--no-all-versions", *names]
    return subprocess.run(show, capture_output=True, check=False).returncode == 0


def _run(command: Sequence[str]) -> int:
    """Run with its output shown as messages, and no input to wait for."""
    return subprocess.run(command, stdin=subprocess.DEVNULL, stdout=sys.stderr, check=False).returncode
