"""A studio without hardware for benches: a real-time JACK server, a screen, and processes that keep every core busy."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

_START_SECONDS = 60.0
"""Longer than any has taken beside other work; one that will never come ends at once."""

_END_SECONDS = 10.0


def end_process(process: subprocess.Popen[Any], seconds: float = _END_SECONDS) -> None:
    """End a process that was started here: it is asked to, and after that many seconds killed."""
    process.terminate()
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _may_run_realtime() -> bool:
    return hasattr(os, "geteuid") and os.geteuid() == 0


@contextmanager
def jack_server(rate: int, block: int, name: str = "") -> Iterator[str]:
    """Run a JACK server on the dummy driver, paced in real time; yield its name, which it has a usual one for.

    Clients find it by the environment variable ``JACK_DEFAULT_SERVER``, which is set meanwhile.

    Raises
    ------
    RuntimeError
        If jackd is missing or does not come up.
    """
    name = name or f"bench{os.getpid()}_{rate}"
    realtime = ["-R", "-P", "70"] if _may_run_realtime() else ["-r"]
    command = ["jackd", "-n", name, *realtime, "-d", "dummy", "-r", str(rate), "-p", str(block)]
    server = _start(command)
    before = os.environ.get("JACK_DEFAULT_SERVER")
    os.environ["JACK_DEFAULT_SERVER"] = name
    try:
        _wait_for_server(server)
        yield name
    finally:
        killed = server.poll() is not None
        end_process(server)
        if killed:
            _give_back_place(command)
        if before is None:
            del os.environ["JACK_DEFAULT_SERVER"]
        else:
            os.environ["JACK_DEFAULT_SERVER"] = before


def _start(command: list[str]) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"}
    try:
        return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment)
    except FileNotFoundError:
        raise RuntimeError("jackd is missing; install jackd2 to measure on a real-time device") from None


def _give_back_place(command: list[str]) -> None:
    # A machine has room for eight JACK servers, and one that was killed keeps its place until a server of the same
    # name takes it over; that one gives it back when it ends in peace.
    server = _start(command)
    try:
        _wait_for_server(server)
    finally:
        end_process(server)


def _wait_for_server(server: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + _START_SECONDS
    while time.monotonic() < deadline:
        if server.poll() is not None:
            raise RuntimeError(f"jackd ended at once with status {server.returncode}")
        # Asked again and again, because jack_wait's own waiting sleeps for whole seconds.
        asked = subprocess.run(["jack_wait", "-c"], capture_output=True, check=False)
        if asked.stdout.strip().endswith(b"running") and b"not running" not in asked.stdout:
            return
        time.sleep(0.03)
    raise RuntimeError(f"jackd did not come up within {_START_SECONDS:g} s")


@contextmanager
def screen(size: str = "1280x800", pixels: Path | None = None) -> Iterator[str]:
    """Run a virtual X server; yield its display name. It keeps its pixels in a file of the folder `pixels`.

    Raises
    ------
    RuntimeError
        If Xvfb is missing or does not come up.
    """
    with tempfile.TemporaryFile("w+") as told:
        try:
            server = subprocess.Popen(
                [
                    *("Xvfb", "-noreset", "-displayfd", str(told.fileno()), "-screen", "0", f"{size}x24"),
                    *(("-fbdir", str(pixels)) if pixels else ()),
                ],
                pass_fds=[told.fileno()],
                stderr=subprocess.DEVNULL,
            )
        except FileNotFoundError:
            raise RuntimeError("Xvfb is missing; install xvfb to measure with the window open") from None
        try:
            yield f":{_display_number(server, Path(f'/proc/self/fd/{told.fileno()}'))}"
        finally:
            end_process(server)


def _display_number(server: subprocess.Popen[bytes], told: Path) -> str:
    deadline = time.monotonic() + _START_SECONDS
    while time.monotonic() < deadline and server.poll() is None:
        text = told.read_text()
        if text.endswith("\n"):
            return text.strip()
        time.sleep(0.05)
    raise RuntimeError("Xvfb did not come up")


@contextmanager
def busy_cores(count: int) -> Iterator[None]:
    """Keep `count` processes computing."""
    hogs = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()
