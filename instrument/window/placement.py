"""Placement of the window on the desktop: its size at first, the least it may be, the whole screen and back, its display."""

from __future__ import annotations

import contextlib
import ctypes
import ctypes.util
import functools
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pygame

if TYPE_CHECKING:
    from collections.abc import Iterator

FIRST_SIZE = (1280, 800)
"""Width and height at first, at the usual density of `USUAL_DPI`."""

LEAST_SIZE = (640, 400)
"""Width and height below which a window manager that asks lets nobody make it: letters stop following long before."""

USUAL_DPI = 96.0
"""Dots per inch of a desktop that is not enlarged; X servers give it whatever the display is (X.Org since 1.7)."""

LARGEST_SCALE = 4.0
"""Enlargement of desktops at most; a larger figure is a display that does not know its own size."""

_WHOLE_SCREEN = 0x1001
"""SDL_WINDOW_FULLSCREEN_DESKTOP (SDL_video.h of SDL 2.28)."""

_TILED_BY = 0.5
"""Seconds by which a window manager has put a new window where it wants it."""

_TURN = 0.05

_MOST_WINDOWS = 64
"""More than this process makes; they are numbered from 1."""


class Placement:
    """The window that the library shows, as its window manager sees it.

    Parameters
    ----------
    size : tuple of int
        Width and height wanted at first, at the usual density.

    Attributes
    ----------
    whole_screen : bool
        Whether it fills a display.
    """

    def __init__(self, size: tuple[int, int] = FIRST_SIZE) -> None:
        pygame.display.set_mode(fitting(size), pygame.RESIZABLE)
        self._window = _only_window()
        _call("SDL_SetWindowMinimumSize", self._window, *LEAST_SIZE)
        self._framed = False
        self._before = (0, 0, *pygame.display.get_window_size())
        self.whole_screen = False

    @property
    def display(self) -> int:
        """Display on which most of it lies, counted from 0."""
        return max(_call("SDL_GetWindowDisplayIndex", self._window) or 0, 0)

    @property
    def other_display(self) -> int | None:
        """The first display on which it does not lie; None if there is one display only."""
        own = self.display
        return next((k for k in range(pygame.display.get_num_displays()) if k != own), None)

    def toggle(self) -> None:
        """Fill the display that it is on, or go back to where it was before, in the size that it had."""
        self.whole_screen = not self.whole_screen
        if _is_managed():
            # Without a window manager this changes nothing that is seen. Not by `set_mode`, which takes the first display always, and forgets where the window was.
            _call("SDL_SetWindowFullscreen", self._window, _WHOLE_SCREEN if self.whole_screen else 0)
        elif self.whole_screen:
            self._before = (*self._position(), *pygame.display.get_window_size())
            self._put(*_bounds(self.display))
        else:
            self._put(*self._before)

    def _put(self, x: int, y: int, width: int, height: int) -> None:
        _call("SDL_SetWindowSize", self._window, width, height)
        _call("SDL_SetWindowPosition", self._window, x, y)

    def _position(self) -> tuple[int, int]:
        x, y = ctypes.c_int(), ctypes.c_int()
        _call("SDL_GetWindowPosition", self._window, ctypes.byref(x), ctypes.byref(y))
        return x.value, y.value

    def fit_frame(self) -> bool:
        """Make room for the frame once there is one, if it would lie beyond the display; return whether that is settled."""
        if self._framed or self.whole_screen:
            return True
        top, left, bottom, right = edges = [ctypes.c_int() for _ in range(4)]
        if _call("SDL_GetWindowBordersSize", self._window, *map(ctypes.byref, edges)) != 0 or not top.value:
            return False
        self._framed = True
        x, y, width, height = usable_part(self.display)
        room = width - left.value - right.value, height - top.value - bottom.value
        wide, high = pygame.display.get_window_size()
        if wide > room[0] or high > room[1]:
            self._put(x + left.value, y + top.value, min(wide, room[0]), min(high, room[1]))
        return True


def fill_display(display: int) -> None:
    """Open the window on a whole display, counted from 0; one that is not there is taken as the last one."""
    display = min(max(display, 0), pygame.display.get_num_displays() - 1)
    # Not the library's own whole screen: that one is put away as soon as another window has the keyboard.
    pygame.display.set_mode(pygame.display.get_desktop_sizes()[display], pygame.NOFRAME, display=display)
    window, (x, y, _, _) = _only_window(), _bounds(display)
    until = time.monotonic() + _TILED_BY
    while time.monotonic() < until:
        # One that tiles puts it where the keyboard is, and fills that display then.
        pygame.event.pump()
        if _call("SDL_GetWindowDisplayIndex", window) != display:
            _call("SDL_SetWindowPosition", window, x, y)
        time.sleep(_TURN)
    _call("SDL_SetWindowFullscreen", window, _WHOLE_SCREEN)


def fitting(size: tuple[int, int]) -> tuple[int, int]:
    """Return a size as large as it seems at the usual density, and no larger than the display has room for."""
    # A window that starts larger than the display would have its text out of sight.
    scale = desktop_scale()
    _, _, width, height = usable_part(0)
    return min(round(size[0] * scale), width), min(round(size[1] * scale), height)


def usable_part(display: int) -> tuple[int, int, int, int]:
    """Return left, top, width and height of what panels leave of a display."""
    found = (ctypes.c_int * 4)()
    if _call("SDL_GetDisplayUsableBounds", display, found) == 0 and found[2] > 0 and found[3] > 0:
        return found[0], found[1], found[2], found[3]
    return _bounds(display)


def _bounds(display: int) -> tuple[int, int, int, int]:
    found = (ctypes.c_int * 4)()
    if _call("SDL_GetDisplayBounds", display, found) == 0:
        return found[0], found[1], found[2], found[3]
    return 0, 0, *pygame.display.get_desktop_sizes()[display]


def desktop_scale() -> float:
    """Return how much larger than usual the desktop shows everything, 1 to `LARGEST_SCALE`.

    An X server has one figure for all displays: the resource ``Xft.dpi`` that desktops set, and without it the density
    that the server was told. Other systems enlarge windows by themselves.
    """
    return scale_of(_dots_per_inch() if pygame.display.get_driver() == "x11" else USUAL_DPI)


def scale_of(dots_per_inch: float) -> float:
    """Return the scale of a density, in quarters: a server that nobody told says something near the usual one.

    Examples
    --------
    >>> scale_of(192.0), scale_of(100.0), scale_of(72.0), scale_of(1e6)
    (2.0, 1.0, 1.0, 4.0)
    """
    return min(max(round(4 * dots_per_inch / USUAL_DPI) / 4, 1.0), LARGEST_SCALE)


def _dots_per_inch() -> float:
    # Xlib, The X Library Interface, X11 release 7.7: XGetDefault, DisplayHeight and DisplayHeightMM.
    with _x_server() as (x, display):
        named = None if display is None else x.XGetDefault(display, b"Xft", b"dpi")
        millimetres = 0 if display is None else x.XDisplayHeightMM(display, 0)
        with contextlib.suppress(ValueError):
            if named is not None:
                return float(named)
        return x.XDisplayHeight(display, 0) * 25.4 / millimetres if millimetres > 0 else USUAL_DPI


def _is_managed() -> bool:
    """Tell whether there is a window manager, which an X server need not have."""
    if pygame.display.get_driver() != "x11":
        return True
    with _x_server() as (x, display):
        if display is None:
            return True
        # Extended Window Manager Hints 1.5: the root window names a window of the manager's.
        atom = x.XInternAtom(display, b"_NET_SUPPORTING_WM_CHECK", 1)
        kind, width, count, after = ctypes.c_ulong(), ctypes.c_int(), ctypes.c_ulong(), ctypes.c_ulong()
        data = ctypes.c_void_p()
        found = [ctypes.byref(value) for value in (kind, width, count, after, data)]
        root = ctypes.c_ulong(x.XDefaultRootWindow(display))
        no, none, one = ctypes.c_int(0), ctypes.c_ulong(0), ctypes.c_long(1)
        x.XGetWindowProperty(display, root, ctypes.c_ulong(atom), ctypes.c_long(0), one, no, none, *found)
        if data.value is not None:
            x.XFree(data)
        return count.value > 0


@contextlib.contextmanager
def _x_server() -> Iterator[tuple[Any, ctypes.c_void_p | None]]:
    # A connection of our own, beside the library's, which hands none out.
    try:
        x = ctypes.CDLL(ctypes.util.find_library("X11") or "libX11.so.6")
    except OSError:
        yield None, None
        return
    x.XOpenDisplay.restype, x.XGetDefault.restype = ctypes.c_void_p, ctypes.c_char_p
    x.XDefaultRootWindow.restype = x.XInternAtom.restype = ctypes.c_ulong
    display = ctypes.c_void_p(x.XOpenDisplay(None))
    if display.value is None:
        yield x, None
        return
    try:
        yield x, display
    finally:
        x.XCloseDisplay(display)


def _only_window() -> ctypes.c_void_p:
    library = _library()
    if library is None:
        return ctypes.c_void_p()
    library.SDL_GetWindowFromID.restype = ctypes.c_void_p
    found = (library.SDL_GetWindowFromID(number) for number in range(1, _MOST_WINDOWS))
    return ctypes.c_void_p(next(filter(None, found), None))


@functools.cache
def _library() -> Any:
    # Of the library's functions that pygame has no words for: those of the very copy that pygame has loaded.
    beside = Path(pygame.__file__).with_name("SDL2.dll")
    try:
        return ctypes.CDLL(str(beside) if sys.platform == "win32" else pygame.display.__file__)
    except OSError:
        return None


def _call(name: str, *arguments: Any) -> int | None:
    function = getattr(_library(), name, None)
    return None if function is None else int(function(*arguments))
