"""Bare Debian systems of one's own to start the instrument in: made once, entered as often as wanted, left as they were."""

from __future__ import annotations

import contextlib
import itertools
import os
import pwd
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from typing import Self

INCLUDED = ("python3", "ca-certificates")
"""Packages beside Debian's smallest variant: what the README asks for, and what makes its downloads trusted."""

ARCHIVE = "http://deb.debian.org/debian"

CERTIFICATES = Path("/etc/ssl/certs/ca-certificates.crt")
"""Authorities that this machine trusts: a network may have one of its own, and the bare system is on that network."""

_PASSED_ON = re.compile(
    r"PIP_(INDEX_URL|EXTRA_INDEX_URL|CERT|DEFAULT_TIMEOUT|TRUSTED_HOST)|https?_proxy", re.IGNORECASE
)
"""Settings by which this machine reaches the registries; nothing else of its environment is seen inside."""

_ENTER = """
set -e
mount --make-rprivate /
mount -t overlay overlay -o "lowerdir=$LOWER,upperdir=$UPPER,workdir=$WORK" "$ROOT"
cd "$ROOT"
mount -t proc proc proc
mount --bind /sys sys
mount -t tmpfs tmpfs dev
for device in null zero full random urandom tty; do touch dev/$device; mount --bind /dev/$device dev/$device; done
ln -s /proc/self/fd dev/fd; ln -s /proc/self/fd/0 dev/stdin
ln -s /proc/self/fd/1 dev/stdout; ln -s /proc/self/fd/2 dev/stderr
mkdir -p dev/shm dev/pts tmp/.X11-unix
mount -t tmpfs -o "mode=1777,size=$SHARED_MEMORY" tmpfs dev/shm
mount -t devpts -o newinstance,ptmxmode=0666,mode=0620 devpts dev/pts; ln -s pts/ptmx dev/ptmx
if test -d /tmp/.X11-unix; then mount --bind /tmp/.X11-unix tmp/.X11-unix; fi
for small in $SMALL; do mkdir -p "./${small%%=*}"; mount -t tmpfs -o "mode=1777,size=${small##*=}" tmpfs "./${small%%=*}"; done
for fixed in $READ_ONLY; do mount --bind "./$fixed" "./$fixed"; mount -o remount,bind,ro "./$fixed"; done
exec chroot . "$@"
"""
"""Run by `unshare`: everything mounted here is gone with the last process inside."""


@dataclass(frozen=True)
class Person:
    """Someone who types a command inside.

    Attributes
    ----------
    uid : int
        0 is root.
    home : str or None
        None: no HOME in the environment.
    """

    uid: int = 0
    home: str | None = pwd.getpwuid(0).pw_dir


ROOT = Person()
KIM = Person(1000, "/srv/kim")
"""Has a home and no `sudo`."""

NOBODY_KNOWN = Person(4321, None)
"""Has no entry in passwd, as in many containers."""


@dataclass
class Run:
    """Protocol of one command.

    Attributes
    ----------
    code : int
        Exit code; negative for the signal that ended it.
    lines : list of (float, str)
        What it said, each with its seconds after the start.
    seconds : float
    """

    code: int = 0
    lines: list[tuple[float, str]] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def text(self) -> str:
        """All it said."""
        return "\n".join(line for _, line in self.lines)

    def when(self, pattern: str) -> float | None:
        """Seconds until the first line that holds a regular expression, or None."""
        return next((at for at, line in self.lines if re.search(pattern, line)), None)

    @property
    def longest_silence(self) -> float:
        """Longest time without a line, in seconds."""
        times = [0.0, *(at for at, _ in self.lines), self.seconds]
        return max(later - sooner for sooner, later in itertools.pairwise(times))


class BareSystem:
    """One bare system as a stack of layers, of which only the topmost is written to.

    Parameters
    ----------
    layers : sequence of Path
        Folders, the topmost first; the last holds the system itself.
    folder : Path
        Where layers are kept.

    Examples
    --------
    ``make("trixie", folder)`` makes or finds a system; `layer` gives one above it that can be spoilt.
    """

    def __init__(self, layers: Sequence[Path], folder: Path) -> None:
        self.layers = list(layers)
        self.folder = folder
        self._own: Path | None = None

    def layer(self) -> BareSystem:
        """Give a system that begins as this one is now; what is done in it stays in it."""
        own = Path(tempfile.mkdtemp(prefix="layer-", dir=self.folder))
        for name in ("upper", "work", "root"):
            (own / name).mkdir(mode=0o755)
        system = BareSystem([own / "upper", *self.layers], self.folder)
        system._own = own
        return system

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._own:
            shutil.rmtree(self._own)

    def put(self, source: Path, where: str, owner: Person = ROOT) -> None:
        """Copy the files of a clone, as they are now and without what git ignores, to a folder inside."""
        target = self.layers[0] / where.lstrip("/")
        target.mkdir(parents=True)
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=source,
            capture_output=True,
            check=True,
        ).stdout
        for name in filter(None, listed.decode().split("\0")):
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(source / name, target / name)
        for path in (target, *target.rglob("*")):
            os.chown(path, owner.uid, owner.uid, follow_symlinks=False)

    def run(
        self,
        command: Sequence[str],
        *,
        person: Person = ROOT,
        folder: str = "/",
        environment: Mapping[str, str] | None = None,
        umask: int = 0o022,
        shared_memory: str = "50%",
        small: Mapping[str, str] | None = None,
        read_only: Sequence[str] = (),
        network: bool = True,
        interrupt: str = "",
        seen: Callable[[], bool] | None = None,
        limit: float = 900.0,
    ) -> Run:
        """Run a command inside.

        Parameters
        ----------
        command : sequence of str
        person : Person
        folder : str
            Where it is typed.
        environment : mapping, optional
            Beside the least one has: PATH, HOME, TERM.
        umask : int
        shared_memory : str
            Size of /dev/shm, as `mount` takes it.
        small : mapping of str to str, optional
            Folder to the size of a disk mounted there.
        read_only : sequence of str
            Folders that cannot be written to.
        network : bool
            Whether anything outside can be reached.
        interrupt : str
            Regular expression: Ctrl C is pressed as soon as a line holds it.
        seen : callable, optional
            Asked several times a second; the first time that it is true becomes a line ``(seen)``.
        limit : float
            Seconds after which everything inside is ended; the exit code is then -9.

        Returns
        -------
        Run
        """
        own = self.layers[0].parent
        words = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "TERM": "dumb"}
        words |= {name: value for name, value in os.environ.items() if _PASSED_ON.fullmatch(name)}
        words |= {"HOME": person.home} if person.home else {}
        words |= environment or {}
        inside = f'cd "$1" && umask {umask:o} && shift && exec "$@"'
        become = ["setpriv", "--reuid", str(person.uid), "--regid", str(person.uid), "--clear-groups"]
        # The first process of a system of its own ignores Ctrl C unless it is a shell that waits, as here.
        whole = [
            *["unshare", "--mount", "--pid", "--fork", "--kill-child", *([] if network else ["--net"])],
            *["bash", "-c", _ENTER, "enter", *(become if person.uid else [])],
            *["env", "-i", *(f"{name}={value}" for name, value in words.items())],
            *["sh", "-c", inside, "sh", folder, *command],
        ]
        outside = dict(
            os.environ,
            LOWER=":".join(str(path) for path in self.layers[1:]),
            UPPER=str(self.layers[0]),
            WORK=str(own / "work"),
            ROOT=str(own / "root"),
            SHARED_MEMORY=shared_memory,
            SMALL=" ".join(f"{place.lstrip('/')}={size}" for place, size in (small or {}).items()),
            READ_ONLY=" ".join(place.lstrip("/") for place in read_only),
        )
        return _Watched(whole, outside, interrupt, seen, limit).result()


class _Watched:
    """One command, its lines read as they come, and ended when its time is over."""

    def __init__(
        self,
        command: Sequence[str],
        environment: Mapping[str, str],
        interrupt: str,
        seen: Callable[[], bool] | None,
        limit: float,
    ) -> None:
        self._run = Run()
        self._interrupt = interrupt
        self._began = time.monotonic()
        self._limit = limit
        self._seen = seen
        self._process = subprocess.Popen(
            command,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            text=True,
            errors="replace",
            # What a shell has put into the background ignores Ctrl C, and so would everything that it starts.
            preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509 - before any thread
        )

    def _note(self, line: str) -> None:
        self._run.lines.append((time.monotonic() - self._began, line))

    def _read(self) -> None:
        for line in self._process.stdout or ():
            self._note(line.rstrip())
            if self._interrupt and re.search(self._interrupt, line):
                self._interrupt = ""
                time.sleep(0.5)  # amid what the line announced
                self._note("(Ctrl C)")
                self._press_ctrl_c()

    def _press_ctrl_c(self) -> None:
        # As the terminal does: to every process of the group, but for those that brought us inside.
        group = os.getpgid(self._process.pid)
        for entry in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError, ValueError):
                pid = int(entry.name)
                status = (entry / "status").read_text()
                inside = len(re.findall(r"\d+", status.split("NSpid:")[1].splitlines()[0])) > 1
                if inside and os.getpgid(pid) == group:
                    os.kill(pid, signal.SIGINT)

    def result(self) -> Run:
        """Wait for the end and return the protocol."""
        reader = threading.Thread(target=self._read)
        reader.start()
        while self._process.poll() is None:
            time.sleep(0.1)
            if self._seen and self._seen():
                self._note("(seen)")
                self._seen = None
            if time.monotonic() - self._began > self._limit:
                self._note(f"(ended after {self._limit:.0f} s)")
                self._process.kill()
        reader.join()
        if self._process.stdout:
            self._process.stdout.close()
        self._run.code = self._process.wait()
        self._run.seconds = time.monotonic() - self._began
        return self._run


def make(suite: str, folder: Path) -> BareSystem:
    """Make a bare system, or find the one made before.

    Parameters
    ----------
    suite : str
        Name of a release: bookworm, trixie, forky.
    folder : Path
        Where it is kept; about 200 MB each.

    Raises
    ------
    SystemExit
        Without debootstrap or the rights of root.
    """
    if os.geteuid() != 0 or not shutil.which("debootstrap"):
        sys.exit(
            "A bare system is made by root with debootstrap: apt-get install debootstrap, then start this with sudo."
        )
    place = folder / suite
    if not (place / "made").exists():
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir(parents=True)
        print(f"Making a bare {suite} in {place}.", file=sys.stderr, flush=True)
        script = Path("/usr/share/debootstrap/scripts") / suite
        recipe = [] if script.exists() else [str(script.with_name("sid"))]  # releases younger than this debootstrap
        included = f"--include={','.join(INCLUDED)}"
        subprocess.run(
            ["debootstrap", "--variant=minbase", included, suite, str(place / "system"), ARCHIVE, *recipe],
            stdout=subprocess.DEVNULL,
            check=True,
        )
        _finish(place / "system")
        (place / "made").touch()
    return BareSystem([place / "system"], folder)


def _finish(system: Path) -> None:
    for name in ("/etc/resolv.conf", str(CERTIFICATES)):
        if Path(name).exists():
            shutil.copy(name, system / name.lstrip("/"))
    # The lists of a release that is not out yet are signed for a week, and may be older on a machine whose date is not ours.
    (system / "etc/apt/apt.conf.d/90bare").write_text('Acquire::Check-Valid-Until "false";\n')
    with (system / "etc/passwd").open("a") as passwd, (system / "etc/group").open("a") as group:
        passwd.write(f"kim:x:{KIM.uid}:{KIM.uid}::{KIM.home}:/bin/bash\n")
        group.write(f"kim:x:{KIM.uid}:\n")
    home = system / str(KIM.home).lstrip("/")
    home.mkdir()
    os.chown(home, KIM.uid, KIM.uid)
