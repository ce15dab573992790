"""The process that reads and routes drawings: takes jobs on its input, gives routes on its output."""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
import traceback
from functools import partial
from typing import IO, TYPE_CHECKING, Any

from instrument.common.late_libraries import missing, still_installing, wait_for_drawings
from instrument.drawings.limits import DrawingError
from instrument.drawings.load import find_line, load, sample_frames
from instrument.drawings.worker.protocol import (
    INSTALLING_SECONDS,
    MISSING,
    folders_of,
    options_from_json,
    pack,
    pack_loaded,
    pack_routes,
    unpack,
)
from instrument.drawings.worker.sandbox import Sandbox, limit_memory

if TYPE_CHECKING:
    from collections.abc import Callable

UNFORESEEN = "reading it failed in a way that was not foreseen"
# SampledFrames before the walls go up and before the first drawing comes, so that it need not wait for them.
LIBRARIES = (
    "pymatching", "scipy.sparse.csgraph", "scipy.spatial", "scipy.ndimage", "svgelements", "fontTools.ttLib",
    "HersheyFonts", "contourpy", "PIL.Image", "PIL.PngImagePlugin", "PIL.JpegImagePlugin", "charset_normalizer",
    "fast_simplification",
)  # fmt: skip

NICENESS = 10
"""Niceness at which drawings are read, behind the sound and the window."""


def main() -> None:
    """Take jobs until the input ends."""
    # Whatever a library prints goes to the error stream; the output carries messages alone.
    output = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    with contextlib.suppress(AttributeError, OSError):
        # To this niceness, not by it: whoever starts us may be lowered already, and twice would leave us no time.
        os.nice(max(0, NICENESS - os.nice(0)))
    if still_installing(drawings=True):
        sys.stderr.write("drawings wait until the libraries that read them are installed\n")
        wait_for_drawings(INSTALLING_SECONDS)
    try:
        for library in LIBRARIES:
            importlib.import_module(library)
        # Its machine code is kept in a folder that the walls will close.
        from instrument.drawings.outline.visible_lines import warm  # noqa: PLC0415 - heavy

        warm()
    except ModuleNotFoundError as error:
        sys.stderr.write(f"drawings cannot be read: {missing(error.name)}\n")
        sys.exit(MISSING)
    walls = Sandbox()
    walls.install()
    send = partial(_send, output)
    send(pack({"ready": os.getpid()}))
    with contextlib.suppress(EOFError, BrokenPipeError):
        while True:
            words, _ = unpack(partial(_exactly, sys.stdin.buffer))
            send(answer(words, walls, lambda stage: send(pack({"stage": stage}))))


def answer(words: dict[str, Any], walls: Sandbox, progress: Callable[[str], None]) -> bytes:
    """Do one job.

    Parameters
    ----------
    words : dict
        `paths` or `text`, `options`, and `want`: "routes" or "loaded".
    walls : Sandbox
    progress : callable

    Returns
    -------
    bytes
        A message with the routes, the sampled frames, or the refusal.
    """
    options = options_from_json(words["options"])
    walls.readable = folders_of(words["paths"], options.read.lettering.font)
    limit_memory(options.read.limits.memory)
    refusal: tuple[str, str | None, int | None]
    try:
        if words["want"] == "loaded" and options.read.lines == "outline":
            return pack_loaded(load(words["paths"], words["text"], options, progress, os.cpu_count() or 1))
        found = find_line(words["paths"], words["text"], options, progress)
        if words["want"] == "routes":
            return pack_routes(found.routes)
        return pack_loaded(sample_frames(found.routes, options.sampling, found.seconds))
    except DrawingError as error:
        refusal = (error.reason, error.file, error.line)
    except MemoryError:
        most = options.read.limits.memory / 2**20
        refusal = (
            f"it needs more than {most:,.0f} MiB of memory. Simplify the drawing or raise the limit",
            None,
            None,
        )
    except RecursionError:
        refusal = ("it is nested too deeply", None, None)
    except PermissionError as error:
        refusal = (str(error), None, None)
    except ModuleNotFoundError as error:
        # Some are needed by one kind of drawing alone, and imported when it comes.
        refusal = (missing(error.name), None, None)
    except Exception as error:  # noqa: BLE001 (a fault of ours in a reader must not cost the worker)
        traceback.print_exc()
        refusal = (f"{UNFORESEEN} ({type(error).__name__}: {str(error)[:80]})", None, None)
    return pack({"refused": refusal})


def _exactly(stream: IO[bytes], count: int) -> bytes:
    found = stream.read(count)
    if len(found) < count:
        raise EOFError
    return found


def _send(output: IO[bytes], message: bytes) -> None:
    output.write(message)
    output.flush()


if __name__ == "__main__":
    main()
