"""What other programs do to a window: drop files onto it, ask it to close, take the keyboard, and look where it lies.

Sources: the X Drag-and-Drop protocol, version 5 (freedesktop.org), for the messages and their order; the Inter-Client
Communication Conventions Manual, version 2.0, section 4.2.8.1, for closing; X.h and Xlib.h of X11 release 7.7 for numbers
and structures.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import time
from typing import TYPE_CHECKING, NamedTuple, Self

if TYPE_CHECKING:
    from pathlib import Path

VERSION = 5
PATIENCE = 10.0

_SELECTION_REQUEST, _SELECTION_NOTIFY, _CLIENT_MESSAGE = 30, 31, 33
_CURRENT_TIME, _REPLACE = 0, 0

_MOST_NUMBERS = 1 << 20
"""Of 32 bits that a property may have."""

_Word = ctypes.c_ulong


class Place(NamedTuple):
    """Where on the display a window's own part lies, without its frame."""

    x: int
    y: int
    width: int
    height: int


class _ClientMessage(ctypes.Structure):
    _fields_ = (
        ("type", ctypes.c_int),
        ("serial", _Word),
        ("send_event", ctypes.c_int),
        ("display", ctypes.c_void_p),
        ("window", _Word),
        ("message_type", _Word),
        ("format", ctypes.c_int),
        ("data", ctypes.c_long * 5),
    )


class _SelectionRequest(ctypes.Structure):
    _fields_ = (
        ("type", ctypes.c_int),
        ("serial", _Word),
        ("send_event", ctypes.c_int),
        ("display", ctypes.c_void_p),
        ("owner", _Word),
        ("requestor", _Word),
        ("selection", _Word),
        ("target", _Word),
        ("property", _Word),
        ("time", _Word),
    )


class _Selection(ctypes.Structure):
    _fields_ = (
        ("type", ctypes.c_int),
        ("serial", _Word),
        ("send_event", ctypes.c_int),
        ("display", ctypes.c_void_p),
        ("requestor", _Word),
        ("selection", _Word),
        ("target", _Word),
        ("property", _Word),
        ("time", _Word),
    )


class _Event(ctypes.Union):
    _fields_ = (
        ("type", ctypes.c_int),
        ("message", _ClientMessage),
        ("request", _SelectionRequest),
        ("selection", _Selection),
        ("pad", ctypes.c_long * 24),
    )


_pass_over = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p)(lambda _display, _error: 0)
"""For errors of windows that have gone meanwhile; the library's own answer to one is to end the process."""


class XClient:
    """An X client with a window that is not seen until it is shown.

    Parameters
    ----------
    display : str
    """

    def __init__(self, display: str) -> None:
        self._x = x = ctypes.CDLL(ctypes.util.find_library("X11") or "libX11.so.6")
        x.XOpenDisplay.restype = ctypes.c_void_p
        x.XDefaultRootWindow.restype = x.XCreateSimpleWindow.restype = x.XInternAtom.restype = _Word
        x.XSetErrorHandler(_pass_over)
        opened = x.XOpenDisplay(display.encode())
        if not opened:
            raise RuntimeError(f"there is no display {display}")
        self._display = ctypes.c_void_p(opened)
        self._root = root = _Word(x.XDefaultRootWindow(self._display))
        nothing = (ctypes.c_int(0), ctypes.c_int(0), ctypes.c_uint(1), ctypes.c_uint(1), ctypes.c_uint(0))
        self._window = x.XCreateSimpleWindow(self._display, root, *nothing, _Word(0), _Word(0))

    def drop(self, window: int, files: list[Path]) -> bool:
        """Drop files onto a window; return whether it has taken them.

        Raises
        ------
        TimeoutError
            If it does not answer.
        """
        self._offered = "".join(f"{path.absolute().as_uri()}\r\n" for path in files).encode()
        self._x.XSetSelectionOwner(
            self._display, _Word(self._atom("XdndSelection")), _Word(self._window), _Word(_CURRENT_TIME)
        )
        kind = self._atom("text/uri-list")
        own = self._window
        self._send(window, "XdndEnter", own, VERSION << 24, kind)
        self._send(window, "XdndPosition", own, 0, 40 << 16 | 40, _CURRENT_TIME, self._atom("XdndActionCopy"))
        if not self._wait_for("XdndStatus")[1] & 1:
            return False
        self._send(window, "XdndDrop", own, 0, _CURRENT_TIME)
        return bool(self._wait_for("XdndFinished")[1] & 1)

    def ask_to_close(self, window: int) -> None:
        """Ask a window to close."""
        self._send(window, "WM_PROTOCOLS", self._atom("WM_DELETE_WINDOW"), _CURRENT_TIME)

    def take_keyboard_away(self) -> None:
        """Give the keyboard to nobody (XSetInputFocus with None)."""
        self._x.XSetInputFocus(self._display, _Word(0), 0, _Word(_CURRENT_TIME))
        self._x.XFlush(self._display)

    def show(self) -> None:
        """Show our own window, to which a window manager gives the keyboard."""
        self._x.XResizeWindow(self._display, _Word(self._window), ctypes.c_uint(300), ctypes.c_uint(200))
        self._x.XMapWindow(self._display, _Word(self._window))
        self._x.XFlush(self._display)

    def hide(self) -> None:
        """Take our own window away."""
        self._x.XUnmapWindow(self._display, _Word(self._window))
        self._x.XFlush(self._display)

    def place(self, window: int) -> Place:
        """Return where a window lies."""
        root, child = _Word(), _Word()
        x, y = ctypes.c_int(), ctypes.c_int()
        width, height, edge, depth = (ctypes.c_uint() for _ in range(4))
        found = [ctypes.byref(value) for value in (root, x, y, width, height, edge, depth)]
        self._x.XGetGeometry(self._display, _Word(window), *found)
        at = [ctypes.c_int(0), ctypes.c_int(0), ctypes.byref(x), ctypes.byref(y), ctypes.byref(child)]
        self._x.XTranslateCoordinates(self._display, _Word(window), self._root, *at)
        return Place(x.value, y.value, width.value, height.value)

    def numbers(self, window: int, name: str) -> list[int]:
        """Return a property that holds numbers of 32 bits; nothing where there is none."""
        kind, width, count, after = _Word(), ctypes.c_int(), _Word(), _Word()
        data = ctypes.c_void_p()
        found = [ctypes.byref(value) for value in (kind, width, count, after, data)]
        window_of = (self._display, _Word(window or self._root.value), _Word(self._atom(name)))
        ends = (ctypes.c_long(0), ctypes.c_long(_MOST_NUMBERS), 0, _Word(0))
        self._x.XGetWindowProperty(*window_of, *ends, *found)
        if data.value is None:
            return []
        # The library gives each number a long of its own.
        held = ctypes.cast(data, ctypes.POINTER(_Word))
        numbers = [held[k] & 0xFFFFFFFF for k in range(count.value)] if width.value == 32 else []
        self._x.XFree(data)
        return numbers

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        self._x.XCloseDisplay(self._display)

    def _atom(self, name: str) -> int:
        return int(self._x.XInternAtom(self._display, name.encode(), 0))

    def _send(self, window: int, name: str, *words: int) -> None:
        event = _Event()
        message = event.message
        message.type, message.window, message.format = _CLIENT_MESSAGE, window, 32
        message.message_type = self._atom(name)
        for k, word in enumerate(words):
            message.data[k] = word
        self._x.XSendEvent(self._display, _Word(window), 0, ctypes.c_long(0), ctypes.byref(event))
        self._x.XFlush(self._display)

    def _wait_for(self, name: str) -> list[int]:
        # Meanwhile whoever asks for what is dragged is given it.
        wanted, event = self._atom(name), _Event()
        limit = time.monotonic() + PATIENCE
        while time.monotonic() < limit:
            while self._x.XPending(self._display):
                self._x.XNextEvent(self._display, ctypes.byref(event))
                if event.type == _SELECTION_REQUEST:
                    self._give(event.request)
                elif event.type == _CLIENT_MESSAGE and event.message.message_type == wanted:
                    return list(event.message.data)
            time.sleep(0.005)
        raise TimeoutError(f"no {name} within {PATIENCE:g} s")

    def _give(self, asked: _SelectionRequest) -> None:
        self._x.XChangeProperty(
            self._display,
            _Word(asked.requestor),
            _Word(asked.property),
            _Word(asked.target),
            8,
            _REPLACE,
            self._offered,
            len(self._offered),
        )
        event = _Event()
        told = event.selection
        told.type, told.requestor, told.selection = _SELECTION_NOTIFY, asked.requestor, asked.selection
        told.target, told.property, told.time = asked.target, asked.property, asked.time
        self._x.XSendEvent(self._display, _Word(asked.requestor), 0, ctypes.c_long(0), ctypes.byref(event))
        self._x.XFlush(self._display)
