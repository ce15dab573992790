"""The end of a show: its parts ended, the newest first, and any that hangs left behind within a bound."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from typing import TYPE_CHECKING, NamedTuple, Self

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import TracebackType

BOUND = 10.0
"""Time in seconds that one part may take to end: longer than any has taken on a machine that was busy with other things."""

_POLL_SECONDS = 0.25
"""Time between two polls in seconds; what passes between them counts as so much at most, for a machine that stood still."""

_LOOP = "what plays"
"""Name of what hangs if nothing is being ended yet: the main thread, in a call of some library."""


class _Part(NamedTuple):
    """Part of a show: its name, its end, the seconds that may take, and what is done instead after another has hung."""

    name: str
    end: Callable[[], object]
    seconds: float
    after_others_hang: Callable[[], object] | None


class Ending:
    """Parts of a show that are to be ended with it, and a thread that goes on with them where one hangs.

    Libraries of sound systems wait for servers that do not answer, some for ever, and a thread cannot be called back from
    there. A part that does not end within its bound is left behind, the others are ended all the same, and the process
    leaves.

    Parameters
    ----------
    over : threading.Event
        Set once the show is to end.
    say : callable
        Takes one sentence for the performer.
    bound : float, optional
        Seconds that the show's own turn may take to hear of its end.
    leave : callable, optional
        Leaves the process with a status at once; called only if something hangs.

    Attributes
    ----------
    over : threading.Event

    Examples
    --------
    >>> said = []
    >>> with Ending(threading.Event(), said.append) as ending:
    ...     ending.then("the lamp", lambda: said.append("dark"))
    ...     ending.then("the door", lambda: said.append("shut"))
    >>> said
    ['shut', 'dark']
    """

    def __init__(
        self,
        over: threading.Event,
        say: Callable[[str], None],
        bound: float = BOUND,
        leave: Callable[[int], object] = os._exit,
    ) -> None:
        self.over = over
        self._say, self._bound, self._leave = say, bound, leave
        self._parts: list[_Part] = []
        self._at = (_LOOP, bound)
        self._spent = 0.0
        self._turn = threading.Lock()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="ending", daemon=True)

    def then(
        self,
        name: str,
        end: Callable[[], object],
        seconds: float | None = None,
        after_others_hang: Callable[[], object] | None = None,
    ) -> None:
        """End something more, before everything that was named earlier.

        Parameters
        ----------
        name : str
            Name in the sentence that is said if it hangs.
        end : callable
        seconds : float, optional
            Time that it may take; by default the bound of all.
        after_others_hang : callable, optional
            Called instead once something has been left behind that may still use it.
        """
        self._parts.append(_Part(name, end, self._bound if seconds is None else seconds, after_others_hang))

    def no_later_than(self, seconds: float) -> None:
        """Let the show be over after so many seconds, whatever it is doing then."""
        timer = threading.Timer(seconds, self.over.set)
        timer.daemon = True
        timer.start()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.over.set()
        failed: list[BaseException] = []
        while (part := self._next()) is not None:
            try:
                part.end()
            except Exception as refused:  # noqa: BLE001 - the others are ended all the same
                failed.append(refused)
        self._done.set()
        if failed and error is None:
            raise failed[0]

    def _next(self) -> _Part | None:
        with self._turn:
            if not self._parts:
                self._at = (_LOOP, self._bound)
                return None
            part = self._parts.pop()
            self._at, self._spent = (part.name, part.seconds), 0.0
            return part

    def _watch(self) -> None:
        self.over.wait()
        before = time.monotonic()
        while not self._done.wait(_POLL_SECONDS):
            now = time.monotonic()
            with self._turn:
                self._spent += min(now - before, 2 * _POLL_SECONDS)
                if self._spent > self._at[1]:
                    parts, self._parts = self._parts, []
                    name = self._at[0]
                    break
            before = now
        else:
            return
        self._go_on_without(name, parts)

    def _go_on_without(self, name: str, parts: list[_Part]) -> None:
        # A part that hangs may come back; the main thread then finds nothing more to end, and leaves by itself.
        self._say(f"{name} does not end: leaving without it.")
        for part in reversed(parts):
            end = part.after_others_hang or part.end
            thread = threading.Thread(target=_quietly(end), name=part.name, daemon=True)
            thread.start()
            thread.join(part.seconds)
            if thread.is_alive():
                self._say(f"{part.name} does not end: leaving without it.")
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.flush()
        self._leave(0)


def _quietly(end: Callable[[], object]) -> Callable[[], None]:
    def ended() -> None:
        with contextlib.suppress(Exception):
            end()

    return ended


@contextlib.contextmanager
def ended_by_signals(over: threading.Event) -> Iterator[None]:
    """Let the signals that end a process end the show instead, even while the main thread hangs in a library."""
    # Only the main thread may choose what signals do.
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    kinds = [signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
    # Python's own handlers wait until the main thread comes back; what the system writes here does not.
    hears, told = os.pipe()
    os.set_blocking(told, False)
    before = [signal.signal(kind, lambda *_: over.set()) for kind in kinds]
    earlier = signal.set_wakeup_fd(told, warn_on_full_buffer=False)
    numbers = frozenset(map(int, kinds))
    threading.Thread(target=_hear, args=(hears, numbers, over), name="signals", daemon=True).start()
    try:
        yield
    finally:
        signal.set_wakeup_fd(earlier)
        for kind, handler in zip(kinds, before, strict=True):
            signal.signal(kind, handler)
        os.close(told)


def _hear(hears: int, numbers: frozenset[int], over: threading.Event) -> None:
    # Its other end is closed when the show is over, and then there is nothing more to read.
    with contextlib.suppress(OSError):
        while received := os.read(hears, 64):
            if numbers.intersection(received):
                over.set()
    os.close(hears)
