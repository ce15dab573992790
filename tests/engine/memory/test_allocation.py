"""The engine's memory: shared with other processes, recognised, and given back."""

from __future__ import annotations

import errno
import fcntl
import os
import subprocess
import sys
from multiprocessing import shared_memory
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.engine import Engine
from instrument.engine.memory import allocation
from instrument.engine.memory.allocation import (
    RING_SECONDS,
    SEGMENT_PREFIX,
    Memory,
    allocate,
    attach,
    remove_orphans,
    ring_frames_for,
)
from instrument.engine.memory.layout import ABI
from tests.engine.playing import RATE, one_circle

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parents[3]
SHARED = Path("/dev/shm")


@pytest.fixture
def shared() -> Iterator[Memory]:
    """Memory that other processes may attach to, removed afterwards."""
    memory = allocate(RATE, shared=True)
    yield memory
    memory.close()


def elsewhere(code: str) -> subprocess.CompletedProcess[str]:
    """Run Python in another process that has imported `attach`."""
    program = f"from instrument.engine.memory.allocation import attach\n{code}"
    command = [sys.executable, "-W", "error", "-c", program]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT, timeout=120)


@pytest.mark.parametrize("rate", [8000.0, 44100.0, 48000.0, 192000.0])
def test_the_ring_holds_its_seconds_in_a_power_of_two(rate: float) -> None:
    frames = ring_frames_for(rate)
    assert frames & (frames - 1) == 0
    assert RING_SECONDS * rate <= frames < 2 * RING_SECONDS * rate


def test_new_memory_is_silent_and_says_what_it_is() -> None:
    record = allocate(RATE).record
    assert int(record["abi"]) == ABI
    assert float(record["rate"]) == RATE
    assert int(record["ring_frames"]) == len(record["ring"])
    assert (record["instances"]["slot"] == -1).all()
    assert (record["bend"] == 8192).all()
    assert int(record["n_held_notes"]) == int(record["ring_at"]) == int(record["time"]) == 0


def test_private_memory_has_no_name() -> None:
    memory = allocate(RATE)
    assert memory.name == ""
    memory.close()


def test_another_process_sees_the_same_output(shared: Memory) -> None:
    engine = Engine(RATE, shared)
    engine.play(one_circle())
    out = engine.render(5000)
    result = elsewhere(
        f"m = attach({shared.name!r})\n"
        "r = m.record\n"
        "print(int(r['time']), float(r['rate']), r['ring'][:int(r['ring_at'])].tobytes().hex()[:4000])\n"
        "m.close()"
    )
    assert result.stderr == ""
    time, rate, ring = result.stdout.split()
    assert (int(time), float(rate)) == (5000, RATE)
    assert bytes.fromhex(ring) == out.tobytes()[:2000]


def test_a_reader_that_ends_leaves_the_memory_to_its_owner(shared: Memory) -> None:
    for ending in ("m.close()", "", "import os; os._exit(1)"):
        elsewhere(f"m = attach({shared.name!r})\n{ending}")
        assert (SHARED / shared.name).exists()
    Engine(RATE, shared).render(100)


def test_memory_of_another_layout_is_refused(shared: Memory) -> None:
    shared.record["abi"] = ABI + 1
    result = elsewhere(f"attach({shared.name!r})")
    assert result.returncode == 1
    assert f"ValueError: memory {shared.name} has layout {ABI + 1}, this version reads {ABI}" in result.stderr
    assert "restart both processes" in result.stderr
    assert "Exception ignored" not in result.stderr


def test_memory_too_small_to_be_ours_is_refused() -> None:
    foreign = shared_memory.SharedMemory(create=True, size=4096)
    try:
        result = elsewhere(f"attach({foreign.name!r})")
        assert f"ValueError: memory {foreign.name} has layout" in result.stderr
        assert "Exception ignored" not in result.stderr
    finally:
        foreign.close()
        foreign.unlink()


def test_memory_that_is_gone_is_not_found() -> None:
    with pytest.raises(FileNotFoundError):
        attach("no_such_memory_of_ours")


def test_closing_leaves_nothing_behind() -> None:
    before = {path.name for path in SHARED.iterdir()}
    memory = allocate(RATE, shared=True)
    name = memory.name
    assert name in {path.name for path in SHARED.iterdir()} - before
    memory.close()
    memory.close()
    assert not (SHARED / name).exists()


def test_the_output_ring_holds_the_latest_frames_when_it_has_gone_round() -> None:
    engine = Engine(RATE, allocate(RATE, ring_seconds=0.01))
    engine.play(one_circle())
    frames = int(engine.record["ring_frames"])
    out = engine.render(5 * frames + 123, block=100)
    at = int(engine.record["ring_at"])
    assert at == len(out)
    places = np.arange(at - frames, at) & (frames - 1)
    assert engine.record["ring"][places].tobytes() == out[-frames:].tobytes()


class TestRoom:
    def test_that_is_not_there_is_said_with_what_to_do_before_anything_is_touched(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def full(*_: int) -> None:
            raise OSError(errno.ENOSPC, "No space left on device")

        before = set(SHARED.glob(f"{SEGMENT_PREFIX}*"))
        monkeypatch.setattr(os, "posix_fallocate", full)
        with pytest.raises(OSError, match=r"shared memory \(.*\) has \d+ MB free, and a show needs \d+ MB"):
            allocate(RATE, shared=True)
        assert not [path for path in set(SHARED.glob(f"{SEGMENT_PREFIX}*")) - before if path.stat().st_size == 0]

    def test_of_every_page_is_there_before_the_sound_begins(self, shared: Memory) -> None:
        found = (SHARED / shared.name).stat()
        assert found.st_blocks * 512 >= found.st_size


class TestOrphans:
    @pytest.fixture
    def orphan(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        """Memory that nobody holds, as a show leaves it that was killed together with whatever would have removed it."""
        monkeypatch.setattr(allocation, "_SETTLED", 0.0)
        path = tmp_path / f"{SEGMENT_PREFIX}orphan"
        path.write_bytes(b"x")
        return path

    def test_are_removed_by_the_next_show(self, orphan: Path) -> None:
        assert remove_orphans(orphan.parent) == 1
        assert not orphan.exists()

    def test_are_not_those_that_a_show_holds(self, orphan: Path) -> None:
        with orphan.open("rb+") as held:
            fcntl.flock(held, fcntl.LOCK_EX)
            assert remove_orphans(orphan.parent) == 0
        assert orphan.exists()

    def test_are_not_those_that_have_only_just_been_made(self, orphan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(allocation, "_SETTLED", 60.0)
        assert remove_orphans(orphan.parent) == 0

    def test_are_left_by_a_show_that_is_killed_and_recognised(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(allocation, "_SETTLED", 0.0)
        code = (
            "import os, signal\n"
            "from multiprocessing import resource_tracker\n"
            "from instrument.engine.memory.allocation import allocate\n"
            "memory = allocate(48000.0, shared=True)\n"
            "print(memory.name, flush=True)\n"
            "os.kill(resource_tracker._resource_tracker._pid, signal.SIGKILL)\n"
            "os.kill(os.getpid(), signal.SIGKILL)\n"
        )
        killed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
        path = SHARED / killed.stdout.strip()
        assert path.exists()
        remove_orphans()
        assert not path.exists()
