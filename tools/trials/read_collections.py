#!/usr/bin/env python3
"""Read whole collections of icons and meshes from the package registries, and say what became of every file.

Each collection is a package that is fetched by its name with its registry's own client (npm or pip), nothing of it is
installed or run, and every drawing in it is read and routed under the usual limits. The table counts what was read,
read with a warning, and refused, with the reasons; the exit status is 1 if a file failed in a way that the drawing
room does not explain.

    python tools/trials/read_collections.py npm:ICONS pypi:MESHES  packages by registry and name
    python tools/trials/read_collections.py npm:ICONS --most 200   at most so many files of each, spread evenly
    python tools/trials/read_collections.py --folder DRAWINGS      any folder of one's own
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tarfile
import tempfile
import time
import zipfile
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from queue import SimpleQueue

from rich.console import Console
from rich.progress import track

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from instrument.drawings.limits import DrawingError, Limits
from instrument.drawings.load import LoadOptions
from instrument.drawings.readers.by_ending import READERS, ReadOptions
from instrument.drawings.routing.closed_line import RouteOptions
from instrument.drawings.worker.client import Worker
from instrument.drawings.worker.worker_process import UNFORESEEN

REGISTRIES = ("npm", "pypi")
# What these packages hold besides drawings, such as photographs in their documentation.
ENDINGS = frozenset(READERS) - {".txt", ".csv", ".npy", ".png", ".jpg", ".jpeg"}
UNEXPLAINED = (
    UNFORESEEN,
    "the process that read it ended unexpectedly",
    "it needs more than",
    "it took longer",
)
DIGITS = re.compile(r"[-+]?\d[\d,.eE+-]*")
QUOTED = re.compile(r"'[^']*'")


@dataclass
class Tally:
    """Tally of one collection."""

    name: str
    read: int = 0
    warned: int = 0
    refused: int = 0
    unexplained: int = 0
    seconds: float = 0.0
    slowest: tuple[float, str] = (0.0, "")
    warnings: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)


def fetch(collection: str, folder: Path) -> Path:
    """Fetch a package, named as ``npm:NAME`` or ``pypi:NAME``, and unpack it without installing it."""
    registry, _, name = collection.partition(":")
    folder.mkdir(parents=True)
    if registry == "npm":
        subprocess.run(["npm", "pack", "--silent", name], cwd=folder, check=True, stdout=subprocess.DEVNULL)
    else:
        pip = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary", ":all:"]
        subprocess.run([*pip, "--dest", str(folder), name], check=True)
    for package in list(folder.iterdir()):
        if package.suffix == ".tgz":
            with tarfile.open(package) as archive:
                archive.extractall(folder, filter="data")
        elif package.suffix == ".whl":
            with zipfile.ZipFile(package) as archive:
                archive.extractall(folder)  # noqa: S202 (zip members are kept within the folder by the library)
    return folder


def drawings_in(folder: Path, most: int | None) -> list[Path]:
    """List a folder's drawings, or so many of them spread evenly."""
    found = sorted(path for path in folder.rglob("*") if path.suffix.lower() in ENDINGS and path.is_file())
    if most is None or len(found) <= most:
        return found
    return [found[i * len(found) // most] for i in range(most)]


def alike(words: str) -> str:
    """Leave out what differs from file to file, so that equal reasons are counted together."""
    return DIGITS.sub("N", QUOTED.sub("'...'", words))[:110]


def read_all(name: str, paths: list[Path], workers: list[Worker], options: LoadOptions) -> Tally:
    """Read and route files, as many at once as there are workers, and count."""
    tally = Tally(name)
    began = time.perf_counter()
    free: SimpleQueue[Worker] = SimpleQueue()
    for worker in workers:
        free.put(worker)

    def read(path: Path) -> tuple[Path, tuple[str, ...], DrawingError | None, float]:
        worker = free.get()
        start = time.perf_counter()
        try:
            [found] = worker.routes([path], options=options)
        except DrawingError as error:
            return path, (), error, time.perf_counter() - start
        else:
            return path, found.warnings, None, time.perf_counter() - start
        finally:
            free.put(worker)

    with ThreadPoolExecutor(len(workers)) as pool:
        outcomes = track(pool.map(read, paths), name, total=len(paths), console=Console(stderr=True))
        for path, warnings, refusal, took in outcomes:
            if refusal is not None:
                tally.refused += 1
                tally.reasons[alike(refusal.reason)] += 1
                tally.unexplained += refusal.reason.startswith(UNEXPLAINED)
                print(f"{name}: {path.name} refused: {refusal}", file=sys.stderr)
            else:
                tally.read += not warnings
                tally.warned += bool(warnings)
                tally.warnings.update(map(alike, warnings))
            tally.slowest = max(tally.slowest, (took, path.name))
    tally.seconds = time.perf_counter() - began
    return tally


def show_head() -> None:
    """Print the head of the table."""
    print(
        f"{'collection':24}{'files':>8}{'read':>8}{'warned':>8}{'refused':>8}{'ms a file':>11}   slowest",
        flush=True,
    )


def show_row(t: Tally) -> None:
    """Print a row of the table, as soon as there is one: a run that is stopped has not been for nothing."""
    count = t.read + t.warned + t.refused
    each = 1000 * t.seconds / max(count, 1)
    print(
        f"{t.name:24}{count:8}{t.read:8}{t.warned:8}{t.refused:8}{each:11.1f}   {t.slowest[0]:.2f} s {t.slowest[1]}",
        flush=True,
    )


def show_reasons(tallies: list[Tally]) -> None:
    """Print why files were warned about or refused."""
    for t in tallies:
        for title, words in (("warned", t.warnings), ("refused", t.reasons)):
            for reason, count in words.most_common():
                print(f"{t.name}: {title} {count}: {reason}")


def main() -> int:
    """Run the script."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("collections", nargs="*", help="packages to fetch, as npm:NAME or pypi:NAME")
    parser.add_argument("--most", type=int, help="files of each collection, spread evenly")
    parser.add_argument("--at-once", type=int, default=os.cpu_count() or 1, help="files read at the same time")
    parser.add_argument("--edges", choices=("all", "feature"), default="all", help="which edges of meshes")
    parser.add_argument("--folder", type=Path, action="append", default=[], help="a folder to read instead")
    chosen = parser.parse_args()
    unknown = [name for name in chosen.collections if name.partition(":")[0] not in REGISTRIES or name.endswith(":")]
    if unknown:
        parser.error(f"{', '.join(unknown)}: write a package as npm:NAME or pypi:NAME")
    if not chosen.collections and not chosen.folder:
        parser.error("name a package, as npm:NAME or pypi:NAME, or a folder with --folder")
    options = LoadOptions(
        read=ReadOptions(edges=chosen.edges, limits=Limits(seconds=120.0)),
        route=RouteOptions(time_limit=10.0),
    )
    with ExitStack() as stack:
        workers = [stack.enter_context(Worker()) for _ in range(max(1, chosen.at_once))]
        temporary = stack.enter_context(tempfile.TemporaryDirectory())
        places = [(folder.name, folder) for folder in chosen.folder]
        fetched = ((name, fetch(name, Path(temporary) / re.sub(r"\W", "_", name))) for name in chosen.collections)
        tallies = []
        show_head()
        for name, folder in chain(places, fetched):
            tallies.append(read_all(name, drawings_in(folder, chosen.most), workers, options))
            show_row(tallies[-1])
    show_reasons(tallies)
    return 1 if any(t.unexplained for t in tallies) else 0


if __name__ == "__main__":
    sys.exit(main())
