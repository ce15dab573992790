"""Fuzz one of the file readers: python3 tools/trials/fuzz.py READER [--seconds S], coverage-guided where atheris installs.

Every reader has a folder of seeds in tests/corpus. A reader may accept a file or refuse it with its own error; whatever
else happens is a fault, and the file that did it is kept. Without atheris (`pip install atheris`) files are damaged at
random instead.
"""

from __future__ import annotations

import argparse
import functools
import importlib
import random
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

Reading = Callable[[Path], object]

CORPUS = Path(__file__).resolve().parents[2] / "tests" / "corpus"

FOLLOWED = [
    "instrument.patch",
    "instrument.midi",
    "instrument.drawings",
    "instrument.measure.sound_reader",
    "tomlkit",
    "svgelements",
]
"""Rooms that atheris follows; compiled kernels are not to be touched."""

TOKENS = (
    b"0", b"-1", b"1e308", b"nan", b"inf", b"9" * 40, b"\xff\xff\xff\xff", b"\0", b"\n", b'"', b"'", b"<", b">", b"/", b"{",
    b"[", b"]", b"=", b".", b"#", b"[[layer]]\n", b"../", b"**", b"(",
)  # fmt: skip


# Readers are imported when one is chosen, so that atheris can follow what is imported then.


def _patch() -> Reading:
    from instrument.patch.build import build_program
    from instrument.patch.patch_drawings import drawing_files
    from instrument.patch.patch_file import load_patch

    def read(path: Path) -> None:
        patch = load_patch(path)
        if not drawing_files(patch):  # those have readers of their own
            build_program(patch)

    return read


def _set_list() -> Reading:
    from instrument.patch.set_list_file import patches_named

    return patches_named


def _midi() -> Reading:
    from instrument.midi.files.performance import read_performance

    return lambda path: read_performance(path, 48_000.0)


def _sound() -> Reading:
    from instrument.measure.sound_reader import SoundReader

    def read(path: Path) -> None:
        with SoundReader(path) as sound:
            for second in sound.seconds():
                if len(second.samples) > sound.rate:
                    raise AssertionError("a second is longer than a second")

    return read


def _look() -> Reading:
    from instrument.beam.look import look_of

    return lambda path: look_of([str(path)])


def _profile() -> Reading:
    from instrument.audio.profile import read_profile

    return read_profile


def _drawing() -> Reading:
    from instrument.drawings.limits import Limits
    from instrument.drawings.readers.by_ending import ReadOptions, read_drawing, read_film, read_moving

    options = ReadOptions(limits=Limits(points=5000, pixels=250_000, frames=64))

    def read(path: Path) -> object:
        # A clip of any name, so that models are posed as well as read; most have none, which is a refusal like others.
        with suppress(ValueError):
            moving = read_moving(path, "wade", options)
            moving.points_at(moving.frames - 1)
        return read_film(path, options) or read_drawing(path, options)

    return read


READERS: dict[str, Callable[[], Reading]] = {
    "patch": _patch,
    "set_list": _set_list,
    "midi": _midi,
    "sound": _sound,
    "look": _look,
    "profile": _profile,
    "drawing": _drawing,
}
"""A reader of each kind of file from strangers: it takes a path, and raises ValueError, which every refusal is, or
OSError, or nothing."""


@functools.cache
def reader_of(name: str) -> Reading:
    """Return a reader, imported now."""
    return READERS[name]()


def seeds_of(reader: str) -> list[Path]:
    """Return the corpus of a reader."""
    return sorted(path for path in (CORPUS / reader).iterdir() if path.is_file())


def try_file(reader: str, path: Path) -> str:
    """Read a file and return how it was refused; empty if it was not.

    Raises
    ------
    Exception
        Whatever is no refusal: a fault of the reader.
    """
    try:
        reader_of(reader)(path)
    except (ValueError, OSError) as error:
        return str(error) or type(error).__name__
    return ""


def damaged(content: bytes, chance: random.Random) -> bytes:
    """Return a file with a few places overwritten, cut out, doubled or filled with awkward words."""
    found = bytearray(content)
    for _ in range(chance.randint(1, 5)):
        at = chance.randrange(len(found) + 1)
        act = chance.randrange(5)
        if act == 0:
            found[at : at + 4] = chance.randbytes(chance.randint(1, 6))
        elif act == 1:
            found[at : at + chance.randint(0, 3)] = chance.choice(TOKENS)
        elif act == 2:
            del found[at : at + chance.randint(1, 30)]
        elif act == 3:
            found[at:at] = found[at : at + chance.randint(1, 60)]
        else:
            del found[at + (len(found) - at) // 2 :]
    return bytes(found)


def fuzz_at_random(reader: str, seconds: float, folder: Path) -> int:
    """Damage seeds for so long; return how many files were read."""
    chance = random.Random(1)
    seeds = [(path.suffix, path.read_bytes()) for path in seeds_of(reader)]
    ends, count = time.monotonic() + seconds, 0
    while time.monotonic() < ends:
        suffix, content = chance.choice(seeds)
        path = folder / f"fuzz{suffix}"
        path.write_bytes(damaged(content, chance))
        try_file(reader, path)
        count += 1
    return count


def fuzz_by_coverage(reader: str, seconds: float, folder: Path) -> None:
    """Let atheris look for new paths through a reader; it ends the process by itself."""
    import atheris

    seeds = seeds_of(reader)
    suffixes = sorted({path.suffix for path in seeds})

    def one(data: bytes) -> None:
        # The first byte chooses among the kinds of file that the reader knows.
        kind = suffixes[data[0] % len(suffixes)] if data else suffixes[0]
        path = folder / f"fuzz{kind}"
        path.write_bytes(data[1:])
        try_file(reader, path)

    corpus = folder / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(seeds):
        (corpus / str(number)).write_bytes(bytes([suffixes.index(seed.suffix)]) + seed.read_bytes())
    importlib.import_module("instrument.engine.engine")  # compiled from what it is, before anything is followed
    with atheris.instrument_imports(include=FOLLOWED):
        reader_of(reader)
    words = [sys.argv[0], str(corpus), f"-max_total_time={max(round(seconds), 1)}", "-timeout=20"]
    atheris.Setup([*words, f"-artifact_prefix={Path.cwd()}/"], one)
    atheris.Fuzz()


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("reader", choices=READERS)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--random", action="store_true", help="damage at random even where atheris is there")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if not given.random:
            try:
                fuzz_by_coverage(given.reader, given.seconds, folder)
            except ModuleNotFoundError:
                print("atheris is not installed: damaging files at random", file=sys.stderr)
        try:
            print(f"{fuzz_at_random(given.reader, given.seconds, folder)} files read")
        except Exception:
            for path in folder.glob("fuzz*"):
                kept = Path(f"crash-{given.reader}{path.suffix}")
                kept.write_bytes(path.read_bytes())
                print(f"the file that did it is {kept}", file=sys.stderr)
            raise


if __name__ == "__main__":
    main()
