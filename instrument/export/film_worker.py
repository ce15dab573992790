"""A process that draws stretches of a film: `python -m instrument.export.film_worker`, spoken to in lines of JSON."""

from __future__ import annotations

import errno
import json
import os
import queue
import sys
import threading
import time
from pathlib import Path
from typing import IO, Any

from instrument.export.film_plan import FilmPlan
from instrument.export.film_samples import Samples
from instrument.export.film_stretch import StretchArtist

TOLD_SECONDS = 0.2
"""Between two reports of how far a stretch has come."""

FULL = (errno.ENOSPC, errno.EDQUOT) if hasattr(errno, "EDQUOT") else (errno.ENOSPC,)
"""Numbers of errors that mean there is no room left."""


def serve(lines: IO[str], answers: IO[str]) -> None:
    """Take the plan of a film and then stretches, until there are no more lines.

    Whoever asks is gone when the lines end: then the process ends at once, whatever it is drawing.
    """
    jobs: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(lines, jobs), name="lines", daemon=True).start()
    told = 0.0

    def say(**words: Any) -> None:
        answers.write(json.dumps(words) + "\n")
        answers.flush()

    def tell(frame: int) -> None:
        nonlocal told
        now = time.monotonic()
        if now - told > TOLD_SECONDS:
            told = now
            say(frame=frame)

    job = jobs.get()
    plan = FilmPlan.from_words(job["plan"])
    artist: StretchArtist | None = None
    while True:
        job = jobs.get()
        try:
            # The sound is still being written while the process starts.
            artist = artist or StretchArtist(plan, Samples(Path(job["sound"])))
            artist.draw(job["first"], job["end"], Path(job["into"]), tell)
        except (OSError, ValueError) as error:
            number = error.errno if isinstance(error, OSError) else None
            say(failed=str(error), errno=number)
        else:
            say(done=job["first"])


def _listen(lines: IO[str], jobs: queue.SimpleQueue[dict[str, Any]]) -> None:
    for line in lines:
        jobs.put(json.loads(line))
    os._exit(0)


if __name__ == "__main__":
    serve(sys.stdin, sys.stdout)
