"""A walk through first runs in bare Debian systems: sudo python3 tools/setup/walk_first_run.py [--folder DIR] [SUITE ...].

Prints one row of a table for each try: what was tried, how it ended, and the seconds to the first line, to the sound and to
the end, with the longest silence between. Exit code 1 if one did not end as it should.
"""

import argparse
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

# The clone is what these scripts are imported from, wherever they are started.
sys.path[0] = str(Path(__file__).resolve().parents[2])

from tools.setup.bare_system import KIM, NOBODY_KNOWN, BareSystem, Run, make  # noqa: E402

CLONE = Path(__file__).resolve().parents[2]

PLAIN = "/srv/beamhand"
HARBOUR = "/srv/Häfen und Boote/beamhand"
"""A path with blanks and an umlaut."""

PLAY = ("python3", "tools/play.py", "--seconds", "3")

SOUND = r"^playing Circle"

EVERYBODYS = "/opt/beamhand"
"""An environment that belongs to root, with a wheel in it."""

WHEELS = "/srv/wheels"

SILENTLY = "play --seconds 3 --no-window --audio off"

TWO_AT_ONCE = f"""
set -e
for who in 1000 1001; do
    home=$(getent passwd $who | cut -d: -f6)
    setpriv --reuid $who --regid $who --clear-groups env HOME=$home {EVERYBODYS}/bin/beamhand {SILENTLY} &
    all="$all $!"
done
for one in $all; do wait $one; done
du -sh /srv/*/.cache/beamhand
"""
"""Both of them play, and an error of either is one of all."""

FOREIGN = {"LC_ALL": "C", "LANG": "de_DE.UTF-8", "TZ": "Asia/Kolkata"}
"""A language that the system does not have, one that it always has, and half an hour beside the others."""


@dataclass(frozen=True)
class Try:
    """One row of the table.

    Attributes
    ----------
    name : str
    run : Run
    wanted : str
        Regular expression that must be among what was said.
    code : int or None
        Exit code that it must have; None for any but 0.
    """

    name: str
    run: Run
    wanted: str
    code: int | None = 0

    @property
    def good(self) -> bool:
        """Whether it ended as it should, in words, and without a traceback."""
        code = self.run.code != 0 if self.code is None else self.run.code == self.code
        said = re.search(self.wanted, self.run.text, re.MULTILINE) is not None
        return code and said and "Traceback" not in self.run.text

    def row(self, suite: str) -> str:
        """Return the row."""
        times = (self.run.when("."), self.run.when(SOUND), self.run.seconds, self.run.longest_silence)
        cells = " | ".join("" if at is None else f"{at:.0f}" for at in times)
        return f"| {suite} | {self.name} | {'yes' if self.good else 'NO'} | {cells} |"


@dataclass
class Walk:
    """Tries in one release of Debian.

    Attributes
    ----------
    system : BareSystem
        The bare one, which stays as it is.
    protocol : callable
        Given each try as soon as it is over.
    """

    system: BareSystem
    protocol: Callable[[Try], None]
    failed: int = field(default=0)

    def note(self, name: str, run: Run, wanted: str, code: int | None = 0) -> None:
        """Take a try down."""
        tried = Try(name, run, wanted, code)
        self.failed += not tried.good
        self.protocol(tried)

    def as_root(self) -> None:
        """Play as root, which may fetch what the system lacks; then everything that can go wrong afterwards."""
        with self.system.layer() as layer:
            layer.put(CLONE, PLAIN)
            self.note("no network", layer.run(PLAY, folder=PLAIN, network=False), "cannot be (reached|made)|venv", None)
            for at in ("Making .venv", "Collecting numba", "^compiling: 1 of"):
                run = layer.run(PLAY, folder=PLAIN, interrupt=at)
                self.note(f"root, Ctrl C at '{at}'", run, "goes on from there|are compiled and kept|Aborted", None)
            self.note("root, the same command again", layer.run(PLAY, folder=PLAIN), SOUND)
            self.note("root, once more", layer.run(PLAY, folder=PLAIN), SOUND)
            small = layer.run(PLAY, folder=PLAIN, shared_memory="64m")
            self.note("shared memory of 64 MB", small, r"shared memory .* has \d+ MB free, and a show needs \d+ MB", 1)
            unknown = layer.run(PLAY, folder=PLAIN, person=NOBODY_KNOWN, interrupt="^compiling")
            self.note("no entry in passwd and no HOME", unknown, "are compiled and kept", None)

    def as_kim(self) -> None:
        """Play as a user without sudo, in a foreign surrounding."""
        with self.system.layer() as layer:
            layer.put(CLONE, HARBOUR, KIM)
            how = partial(layer.run, folder=HARBOUR, person=KIM, environment=FOREIGN, umask=0o077)
            self.note("user without venv", how(PLAY), r"sudo apt-get install python3[.\d]*-venv", None)
            layer.run(["sh", "-c", "apt-get -q update && apt-get -qy --no-install-recommends install python3-venv"])
            name = "user, umask 077, path with blanks and umlaut, LC_ALL=C"
            self.note(name, how(PLAY), SOUND)
            self.note("user, once more", how(PLAY), SOUND)
            home = str(KIM.home)
            fixed = how(PLAY, read_only=[home], interrupt="^compiling: 0")
            self.note("home that cannot be written", fixed, "are compiled and kept", None)
            layer.run(["rm", "-r", f"{home}/.cache/beamhand"])
            full = how(PLAY, small={f"{home}/.cache": "3m"}, interrupt="^compiling")
            self.note("full disk for the cache", full, "is full: compiling into /tmp/beamhand", None)
            both = how(PLAY, small={f"{home}/.cache": "3m", "/tmp": "3m"})  # noqa: S108 - inside
            self.note("full disk for all caches", both, r"needs 48 MB, and the disk has \d MB free; make room", 1)

    def for_everybody(self) -> None:
        """Install a wheel once for all users, who cannot write there, and once with pipx."""
        with self.system.layer() as layer:
            layer.put(CLONE, PLAIN)
            fetch = "apt-get -qy --no-install-recommends install"
            # From Python 3.13 on there is no wheel of python-rtmidi.
            build = f"python3 -c 'import sys; sys.exit(sys.version_info < (3, 13))' && {fetch} g++ python3-dev libasound2-dev"
            layer.run(["sh", "-c", f"apt-get -q update && {fetch} python3-venv pipx libportaudio2; {build}; true"])
            layer.run(["useradd", "--create-home", "--home-dir", "/srv/lee", "--uid", "1001", "lee"])
            pip = f"{EVERYBODYS}/bin/pip"
            make = f"python3 -m venv {EVERYBODYS} && {pip} wheel -q --no-deps -w {WHEELS} {PLAIN}"
            installed = layer.run(
                ["sh", "-c", f"{make} && {pip} install -q {WHEELS}/*.whl && rm -r {PLAIN} && echo done"]
            )
            self.note("a wheel for all users", installed, "^done")
            two = layer.run(["sh", "-c", TWO_AT_ONCE], read_only=[EVERYBODYS])
            twice = rf"(?s){SOUND}.*{SOUND}.*/srv/kim/.cache/beamhand\n.*/srv/lee/.cache/beamhand$"
            self.note("two users play it at once for the first time", two, twice)
            alone = f"pipx install {WHEELS}/*.whl && exec {KIM.home}/.local/bin/beamhand {SILENTLY}"
            self.note("pipx", layer.run(["sh", "-c", alone], folder=str(KIM.home), person=KIM), SOUND)

    def with_full_disk(self) -> None:
        """Let the disk of the clone be too small."""
        with self.system.layer() as layer:
            layer.run(["sh", "-c", "apt-get -q update && apt-get -qy --no-install-recommends install python3-venv"])
            layer.put(CLONE, f"{PLAIN}-source")
            copy = f"cp -r {PLAIN}-source/. . && exec python3 tools/play.py"
            run = layer.run(["sh", "-c", copy], folder=PLAIN, small={PLAIN: "120m"})
            self.note("full disk for .venv", run, r"has \d+ MB left, and .venv needs", None)


def walks(walk: Walk, wanted: str) -> Iterator[Callable[[], None]]:
    """Return the parts of a walk whose names hold a word."""
    yield from (
        part for part in (walk.as_root, walk.as_kim, walk.with_full_disk, walk.for_everybody) if wanted in part.__name__
    )


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("suites", nargs="*", default=["trixie", "bookworm", "forky"], metavar="SUITE")
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp/beamhand-bare"))  # noqa: S108 - it may stay
    parser.add_argument("--only", default="", help="parts whose names hold this word: root, kim, disk, everybody")
    parser.add_argument("--log", type=Path, help="file for all that was said")
    chosen = parser.parse_args()
    failed = 0
    print("| system | tried | as it should | first line, s | sound, s | end, s | longest silence, s |")
    print("| --- | --- | --- | --- | --- | --- | --- |", flush=True)
    for suite in chosen.suites:

        def protocol(tried: Try, suite: str = suite) -> None:
            print(tried.row(suite), flush=True)
            if chosen.log:
                with chosen.log.open("a", encoding="utf-8") as log:
                    log.write(f"\n=== {suite}: {tried.name}: exit {tried.run.code}\n")
                    log.writelines(f"{at:7.1f} {line}\n" for at, line in tried.run.lines)

        walk = Walk(make(suite, chosen.folder), protocol)
        for part in walks(walk, chosen.only):
            part()
        failed += walk.failed
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
