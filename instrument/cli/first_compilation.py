"""The first compilation: what would else be compiled, in silence, while somebody waits for sound and picture."""

from __future__ import annotations

import ctypes
import sys
from pathlib import Path

from instrument.common.compiled_loops import kernels_folder
from instrument.engine.compiling.compiled import cache_folder
from instrument.engine.compiling.warm import Part, place_and_time, warm

_ROOMS = Path(__file__).parents[1]

SCREEN_SECONDS = 17.0
"""As `warm.UNIT_SECONDS`: the loops of the screen for the usual phosphor."""

JACK_SECONDS = 7.0
"""As `warm.UNIT_SECONDS`: the callback of the JACK driver."""

_JACK = {"win32": "libjack64.dll", "darwin": "libjack.0.dylib"}.get(sys.platform, "libjack.so.0")


def compile_for_playing(*, window: bool) -> float:
    """Compile what a show needs, with progress, unless it is in the cache; return the seconds it took.

    Parameters
    ----------
    window : bool
        Whether there will be one.
    """
    parts = [screen_part()] if window else []
    jack = jack_part()
    if not jack.mark.exists() and _jack_is_there():
        parts.append(jack)
    return warm(beside=parts)


def screen_part() -> Part:
    """Return what the picture of the usual phosphor is compiled in; other phosphors are when they are first shown."""
    key = place_and_time([*sorted((_ROOMS / "beam").glob("*.py")), _ROOMS / "common" / "compiled_loops.py"])
    return Part("screen", ("instrument.beam.look", "P31"), SCREEN_SECONDS, kernels_folder() / f"warm-{key}")


def jack_part() -> Part:
    """Return what the JACK driver is compiled in."""
    key = place_and_time(sorted((_ROOMS / "audio" / "jack").glob("*.py")))
    command = ("instrument.audio.jack.process_callback",)
    # It is engine code, and kept by the key of the engine's sources.
    return Part("JACK driver", command, JACK_SECONDS, cache_folder() / f"warm-{key}", on_engine=True)


def _jack_is_there() -> bool:
    try:
        ctypes.CDLL(_JACK)
    except OSError:
        return False
    return True


if __name__ == "__main__":
    compile_for_playing(window=True)
