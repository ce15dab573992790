"""Tasks shared out among forked processes, whose answers are words and arrays and nothing that could be run."""

from __future__ import annotations

import json
import os
import select
import signal
import struct
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Reply = tuple[dict[str, Any], list[NDArray[Any]]]

_HEAD = struct.Struct("<QQ")
_KINDS = frozenset({"<f8", "|u1"})
_BLOCK = 1 << 16


class TaskError(RuntimeError):
    """A process that shared in the work has ended before its part was done."""


def shared_out(task: Callable[[int], Reply], count: int, processes: int, tell: Callable[[int], None]) -> list[Reply]:
    """Do numbered tasks, shared out among processes.

    Parameters
    ----------
    task : callable
        Takes a number from 0 and gives words that JSON can say, and arrays of float64 or uint8.
    count : int
    processes : int
        With one, or where the system cannot fork, everything is done in this process.
    tell : callable
        Called with the number of tasks done, as it grows.

    Returns
    -------
    list of (dict, list of ndarray)
        In the order of the numbers.

    Raises
    ------
    TaskError
        If a process ends early.

    Examples
    --------
    >>> [words["square"] for words, _ in shared_out(lambda k: ({"square": k * k}, []), 3, 1, lambda done: None)]
    [0, 1, 4]
    """
    processes = min(processes, count)
    if processes <= 1 or not hasattr(os, "fork"):
        found = []
        for k in range(count):
            found.append(task(k))
            tell(k + 1)
        return found
    children = [_forked(task, range(share, count, processes)) for share in range(processes)]
    try:
        return _gathered(count, [pipe for _, pipe in children], tell)
    finally:
        for child, pipe in children:
            os.close(pipe)
            with suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)


def _forked(task: Callable[[int], Reply], numbers: range) -> tuple[int, int]:
    reader, writer = os.pipe()
    child = os.fork()
    if child:
        os.close(writer)
        return child, reader
    # The copy leaves by _exit whatever happens: what the original would do at its end is not its business.
    try:
        os.close(reader)
        for k in numbers:
            _write(writer, _packed(k, *task(k)))
        os._exit(0)
    except BaseException:  # noqa: BLE001 - the original learns of it by the pipe's end
        os._exit(1)


def _write(pipe: int, message: bytes) -> None:
    view = memoryview(message)
    while view:
        view = view[os.write(pipe, view) :]


def _gathered(count: int, pipes: list[int], tell: Callable[[int], None]) -> list[Reply]:
    found: dict[int, Reply] = {}
    buffers = {pipe: bytearray() for pipe in pipes}
    while buffers:
        for pipe in select.select(list(buffers), [], [])[0]:
            block = os.read(pipe, _BLOCK)
            if not block:
                del buffers[pipe]
                continue
            buffers[pipe] += block
            while (message := _first_message(buffers[pipe])) is not None:
                k, reply = message
                found[k] = reply
                tell(len(found))
    if len(found) < count:
        raise TaskError(f"only {len(found)} of {count} parts were done before a process ended")
    return [found[k] for k in range(count)]


def _packed(k: int, words: dict[str, Any], arrays: list[NDArray[Any]]) -> bytes:
    shapes = [(array.dtype.str, array.shape) for array in arrays]
    text = json.dumps([k, words, shapes]).encode()
    body = b"".join(np.ascontiguousarray(array).tobytes() for array in arrays)
    return _HEAD.pack(len(text), len(body)) + text + body


def _first_message(buffer: bytearray) -> tuple[int, Reply] | None:
    """Take the first message off a buffer, once it is whole."""
    if len(buffer) < _HEAD.size:
        return None
    text_bytes, body_bytes = _HEAD.unpack(buffer[: _HEAD.size])
    end = _HEAD.size + text_bytes + body_bytes
    if len(buffer) < end:
        return None
    k, words, shapes = json.loads(buffer[_HEAD.size : _HEAD.size + text_bytes])
    at = _HEAD.size + text_bytes
    arrays = []
    for kind, shape in shapes:
        if kind not in _KINDS:
            raise TaskError(f"arrays of kind {kind!r} are not sent")
        array = np.frombuffer(bytes(buffer[at:end]), kind, int(np.prod(shape))).reshape(shape)
        at += array.nbytes
        arrays.append(array)
    del buffer[:end]
    return k, (words, arrays)
