"""The end of a show comes within a bound, whatever hangs, and all else is ended in its order."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from threading import Event

import pytest

from instrument.show.ending import Ending
from tests.show.listening import wait_until


class Ended:
    """What was ended and said, and with which status the process would have been left."""

    def __init__(self, bound: float = 0.3) -> None:
        self.said: list[str] = []
        self.done: list[str] = []
        self.left: list[int] = []
        self.stuck = Event()
        self.ending = Ending(Event(), self.said.append, bound, self.left.append)

    def part(self, name: str) -> None:
        self.ending.then(name, lambda: self.done.append(name))

    def play(self, error: Exception | None = None) -> None:
        with self.ending:
            if error is not None:
                raise error

    def hang(self) -> None:
        # As a call of a library would, from which no signal and no exception leads.
        self.stuck.wait()


def test_parts_are_ended_the_newest_first() -> None:
    ended = Ended()
    with ended.ending:
        for name in ("memory", "device", "window"):
            ended.part(name)
    assert ended.done == ["window", "device", "memory"]
    assert (ended.said, ended.left) == ([], [])


def test_one_that_refuses_keeps_nothing_from_the_others_and_is_told_of() -> None:
    ended = Ended()

    def refuse() -> None:
        raise OSError("the pier is gone")

    ended.part("memory")
    ended.ending.then("the device", refuse)
    ended.part("window")
    with pytest.raises(OSError, match="the pier is gone"):
        ended.play()
    assert ended.done == ["window", "memory"]


def test_an_error_of_the_show_comes_before_one_of_its_end() -> None:
    ended = Ended()
    ended.ending.then("the device", [].pop)
    with pytest.raises(ValueError, match="no patch"):
        ended.play(ValueError("no patch"))


def test_one_that_hangs_is_left_and_the_others_are_ended() -> None:
    ended = Ended()

    def show() -> None:
        with ended.ending:
            ended.part("log")
            ended.ending.then(
                "the memory", lambda: ended.done.append("unmapped"), None, lambda: ended.done.append("kept")
            )
            ended.ending.then("the sound device", ended.hang)
            ended.part("window")

    thread = threading.Thread(target=show, daemon=True)
    thread.start()
    wait_until(lambda: bool(ended.left), "the process to be left", 30)
    assert ended.done == ["window", "kept", "log"]
    assert ended.said == ["the sound device does not end: leaving without it."]
    assert ended.left == [0]
    ended.stuck.set()
    thread.join(10)
    assert not thread.is_alive()


def test_two_that_hang_are_both_left() -> None:
    ended = Ended()

    def show() -> None:
        with ended.ending:
            ended.part("log")
            ended.ending.then("MIDI", ended.hang)
            ended.ending.then("the sound device", ended.hang)

    threading.Thread(target=show, daemon=True).start()
    wait_until(lambda: bool(ended.left), "the process to be left", 30)
    assert ended.said == [f"{name} does not end: leaving without it." for name in ("the sound device", "MIDI")]
    assert ended.done == ["log"]
    ended.stuck.set()


def test_a_show_that_hangs_amid_playing_is_ended_when_its_end_is_asked_for() -> None:
    ended = Ended()

    def show() -> None:
        with ended.ending:
            ended.part("device")
            ended.ending.no_later_than(0.1)
            ended.hang()

    threading.Thread(target=show, daemon=True).start()
    wait_until(lambda: bool(ended.left), "the process to be left", 30)
    assert ended.done == ["device"]
    ended.stuck.set()


HANGS = """
import ctypes, ctypes.util, os, sys, threading
from instrument.show.ending import Ending, ended_by_signals

over = threading.Event()
say = lambda text: print(text, flush=True)
with ended_by_signals(over), Ending(over, say, bound=0.3) as ending:
    ending.then("the device", lambda: say("device ended"))
    say("playing")
    # The main thread waits for ever in a lock of the system's, as in a library's call to a server that is stopped.
    lock = ctypes.create_string_buffer(256)
    mutex = ctypes.CDLL(None)
    mutex.pthread_mutex_lock(lock)
    mutex.pthread_mutex_lock(lock)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="hangs in a lock of Linux's C library")
@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_a_show_whose_main_thread_hangs_in_a_library(by: signal.Signals) -> None:
    process = subprocess.Popen([sys.executable, "-c", HANGS], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "playing\n"
        process.send_signal(by)
        assert process.wait(60) == 0
        assert process.stdout.read() == "what plays does not end: leaving without it.\ndevice ended\n"
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()
