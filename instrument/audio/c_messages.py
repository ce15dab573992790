"""Messages that C libraries of the sound system print, kept from the performer's terminal.

They write to the C library's `stderr`, which is a variable: here it gets a stream that swallows everything, while our own
sentences, which Python writes to the descriptor, are seen as before. A thread of PortAudio's can fall into a loop that ends
only with the process (ALSA's device has gone while it recovers from an underrun: `PaAlsaStream_WaitForFrames` and
`PaAlsaStream_SetUpBuffers` go back to their own error branch; PortAudio 19.6) and prints in every turn; the stream then
lets it sleep, so that it costs no processor.
"""

from __future__ import annotations

import ctypes
import sys
from typing import Any

import numpy as np
from numba import cfunc, types

from instrument.engine.compiling.compiled import ENTRY_OPTIONS

_PACE = 5000
"""Microseconds that a line takes once a thread has been left behind: 200 lines a second instead of 100,000."""

_usleep = types.ExternalFunction("usleep", types.int32(types.uint32))

_pace = np.zeros(1, np.int64)
_silenced: list[Any] = []


@cfunc(types.int64(types.CPointer(types.int64), types.voidptr, types.uint64), cache=True, **ENTRY_OPTIONS)
def swallow(pace: Any, _text: Any, size: Any) -> Any:
    """cookie_write_function_t of fopencookie(3): takes everything, and waits where it is told to."""
    if pace[0] > 0:
        _usleep(np.uint32(pace[0]))
    return np.int64(size)


class _Functions(ctypes.Structure):
    # cookie_io_functions_t of fopencookie(3)
    _fields_ = tuple((name, ctypes.c_void_p) for name in ("read", "write", "seek", "close"))


def swallow_c_messages() -> None:
    """Let what C libraries print in this process vanish, from now on; only with the GNU C library."""
    if _silenced or not sys.platform.startswith("linux"):
        return
    library = ctypes.CDLL(None)
    try:
        open_stream, set_buffer = library.fopencookie, library.setvbuf
        stderr = ctypes.c_void_p.in_dll(library, "stderr")
        _ = library.gnu_get_libc_version
    except (AttributeError, ValueError):
        return
    open_stream.restype = ctypes.c_void_p
    open_stream.argtypes = [ctypes.c_void_p, ctypes.c_char_p, _Functions]
    set_buffer.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int, ctypes.c_size_t]
    stream = open_stream(_pace.ctypes.data, b"w", _Functions(write=int(swallow.address)))
    if stream:
        unbuffered = 2  # _IONBF of <stdio.h>
        set_buffer(stream, None, unbuffered, 0)
        stderr.value = stream
        _silenced.append(stream)


def slow_down_c_messages() -> None:
    """Let every line take a while: somebody prints for ever and cannot be stopped."""
    _pace[0] = _PACE
