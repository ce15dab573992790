"""Calls into libraries of the sound system, which may never return: a server that hangs takes its clients along.

Such a call is made by a thread of its own. When its time is over, the thread is left behind and whoever asked goes on;
if the call does return later, what it brings is given back.
"""

from __future__ import annotations

import os
import queue
import sys
import threading
import weakref
from typing import TYPE_CHECKING, Any, NamedTuple

from instrument.audio.driver import DeviceError

if TYPE_CHECKING:
    from collections.abc import Callable


_every: weakref.WeakSet[BoundedCalls] = weakref.WeakSet()


class _Call(NamedTuple):
    function: Callable[[], Any]
    give_back: Callable[[Any], None] | None
    lock: threading.Lock
    answer: queue.SimpleQueue[tuple[Any, BaseException | None]]
    left: threading.Event


class BoundedCalls:
    """One library's calls, one after the other, each with a time in which it has to return.

    Parameters
    ----------
    name : str
        Who is called, as sentences name it.

    Attributes
    ----------
    hung : bool
        Whether a call has not returned in its time; every further one is refused.
    thread : threading.Thread
        Makes the calls.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.hung = False
        self._asked = 0
        self._returned = 0  # counted by the thread alone
        _every.add(self)
        self._calls: queue.SimpleQueue[_Call | None] = queue.SimpleQueue()
        self.thread = threading.Thread(target=self._run, name=f"{name} calls", daemon=True)
        self.thread.start()

    def ask(self, function: Callable[[], Any], seconds: float, give_back: Callable[[Any], None] | None = None) -> Any:
        """Call a function of no arguments and return what it returns.

        Parameters
        ----------
        function : callable
            What it raises is raised here. It may ask in its turn.
        seconds : float
        give_back : callable, optional
            Takes what came too late.

        Raises
        ------
        DeviceError
            If it does not return in time, or one before it has not.
        """
        if threading.current_thread() is self.thread:
            return function()
        if self.hung:
            raise DeviceError(f"{self.name} does not answer.")
        call = _Call(function, give_back, threading.Lock(), queue.SimpleQueue(), threading.Event())
        self._put(call)
        try:
            result, error = call.answer.get(timeout=seconds)
        except queue.Empty:
            with call.lock:  # from here on it is late for both sides
                call.left.set()
            if call.answer.empty():
                self.hung = True
                raise DeviceError(f"{self.name} does not answer.") from None
            result, error = call.answer.get()
        if error is not None:
            raise error
        return result

    def finish(self, function: Callable[[], Any], seconds: float) -> bool:
        """Call a last function, even if one before it hangs, as soon as it can be; return whether it has returned.

        Where a call hangs already nobody waits; otherwise for so many seconds at most. The thread ends after it.
        """
        call = _Call(function, None, threading.Lock(), queue.SimpleQueue(), threading.Event())
        self._put(call)
        self._calls.put(None)
        if self.hung:
            return False
        try:
            call.answer.get(timeout=seconds)
        except queue.Empty:
            self.hung = True
            return False
        return True

    @property
    def waiting(self) -> bool:
        """Whether a call has not returned."""
        return self._returned < self._asked

    def _put(self, call: _Call) -> None:
        self._asked += 1
        self._calls.put(call)

    def _run(self) -> None:
        while (call := self._calls.get()) is not None:
            result, error = None, None
            try:
                result = call.function()
            except BaseException as raised:  # noqa: BLE001 - it is raised where it was asked for
                error = raised
            with call.lock:
                late = call.left.is_set()
                self._returned += 1
                if not late:
                    call.answer.put((result, error))
            if late and error is None and call.give_back is not None:
                call.give_back(result)


def end_process(status: int) -> None:
    """End this process at once with a status if a call has not returned; otherwise do nothing.

    The libraries' own endings would wait for such a call for ever, or take memory away from under it.
    """
    if any(calls.waiting for calls in list(_every)):
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
