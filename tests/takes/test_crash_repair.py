"""Kills, power cuts and full disks: what was recorded up to the last second is there, and the show goes on."""

import os
import random
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile

from instrument.engine.memory.layout import EVENT
from instrument.takes.crash_repair import frames_in, is_locked, measure_sound, repair_all, repair_take
from instrument.takes.disk_writer import RESERVE, DiskWriter
from instrument.takes.replay import open_take
from instrument.takes.take import Counts, Take
from instrument.takes.take_folder import EVENT_LINES, METADATA, TakeMetadata, read_metadata
from tests.takes.playing import studio, wait_until
from tools.trials.take_trial import kill_once

RATE = 48_000
PIECE = np.random.default_rng(1).uniform(-1, 1, (960, 2)).astype(np.float32)


def metadata() -> TakeMetadata:
    return TakeMetadata(rate=RATE)


def new_take(folder: Path, free: int = 1 << 40) -> Take:
    folder.mkdir()
    return Take(folder, metadata(), np.zeros(0, EVENT), lambda _folder: free)


@pytest.mark.device
@pytest.mark.xdist_group("JACK")
@pytest.mark.parametrize("seed", range(2))
def test_a_kill_at_a_random_moment_costs_less_than_a_second(seed: int, tmp_path: Path) -> None:
    found = kill_once(tmp_path / "show", random.Random(seed))
    assert found["lost"] <= 1.0
    assert found["decoded"] == found["frames"]
    assert "the same bytes as the recording" in found["again"]
    assert open_take(found["take"]).metadata.mended


def copied(take: Path, copy: Path) -> Path:
    """Copy a take while it is written, as a kill between two writes leaves it: never with half of one."""
    sound, written = take / "sound.wav", True
    while written:
        before = sound.read_bytes()
        shutil.copytree(take, copy, ignore=shutil.ignore_patterns(".*"), dirs_exist_ok=True)
        written = sound.read_bytes() != before
    return copy


def test_at_every_moment_the_files_are_a_take_that_can_be_mended(tmp_path: Path) -> None:
    """What lies in the folder between any two writes, as a kill there would leave it."""
    copies = 0
    with studio(tmp_path / "takes") as playing:
        playing.load("buoy")
        take = playing.begin()
        for k in range(6):
            playing.play(500)
            if k == 3:
                playing.load("moth")
            copies += 1
            copy = copied(take, tmp_path / f"copy{k}")
            mended = repair_take(copy)
            assert mended
            frames = read_metadata(copy).frames
            assert soundfile.read(copy / "sound.wav", dtype="float32")[0].tobytes() == (
                playing.sound[:frames].tobytes()
            )
        playing.stop()
    assert copies == 6


def test_a_power_cut_costs_less_than_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is on the disk itself is what was synced; everything since is gone."""
    on_disk: dict[str, bytes] = {}
    real = os.fsync

    def sync_and_remember(handle: int) -> None:
        real(handle)
        path = Path(f"/proc/self/fd/{handle}").readlink()
        if path.is_file():
            on_disk[path.name] = path.read_bytes()

    monkeypatch.setattr(os, "fsync", sync_and_remember)
    take = new_take(tmp_path / "take")
    for k in range(1, 5):
        for _ in range(20):
            take.add_sound(PIECE)
        take.sync()
        for name, data in on_disk.items():
            (tmp_path / f"{k}").mkdir(exist_ok=True)
            (tmp_path / f"{k}" / name).write_bytes(data)
        found, _ = soundfile.read(tmp_path / f"{k}" / "sound.wav", dtype="float32")
        assert found.tobytes() == np.tile(PIECE, (20 * k, 1)).tobytes()
        assert read_metadata(tmp_path / f"{k}").rate == RATE
    take.finish(Counts())


def test_a_writer_syncs_more_often_than_once_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[int] = []
    monkeypatch.setattr(Take, "sync", lambda take: synced.append(take.metadata.frames))
    writer = DiskWriter(lambda: new_take(tmp_path / "take"), RATE, print, Counts)
    wait_until(lambda: len(synced) >= 2, "two syncs", 10)
    writer.stop()
    assert writer.wait(10)


def test_takes_that_were_cut_off_are_whole_at_the_next_start(tmp_path: Path) -> None:
    take = new_take(tmp_path / "cut")
    take.add_sound(PIECE)
    assert is_locked(tmp_path / "cut")
    assert repair_all(tmp_path) == []  # it is being recorded
    shutil.copytree(tmp_path / "cut", tmp_path / "died", ignore=shutil.ignore_patterns(".recording"))
    said = repair_all(tmp_path)
    assert [sentence.split(":")[0] for sentence in said] == [str(tmp_path / "died")]
    found = read_metadata(tmp_path / "died")
    assert (found.frames, found.complete, found.mended) == (960, True, True)
    assert not (tmp_path / "died" / EVENT_LINES).exists()
    assert not (tmp_path / "died" / ".reserve").exists()
    assert repair_all(tmp_path) == []
    take.finish(Counts())
    assert read_metadata(tmp_path / "cut").mended is False


def test_a_recorder_killed_in_its_first_moment_leaves_an_empty_take(tmp_path: Path) -> None:
    take = new_take(tmp_path / "cut")
    take.finish(Counts())
    (tmp_path / "cut" / "sound.wav").unlink()
    (tmp_path / "cut" / EVENT_LINES).touch()
    assert repair_take(tmp_path / "cut")
    assert read_metadata(tmp_path / "cut").frames == 0


class TestFullDisk:
    def test_a_warning_comes_at_five_minutes_and_a_clean_end_at_none(self, tmp_path: Path) -> None:
        said: list[str] = []
        free = [RATE * 8 * 60 * 6]
        (tmp_path / "take").mkdir()
        writer = DiskWriter(
            lambda: Take(tmp_path / "take", metadata(), np.zeros(0, EVENT), lambda _: free[0]),
            RATE,
            said.append,
            Counts,
        )
        writer.sound(PIECE)
        wait_until(lambda: writer.status().minutes < 1e9, "the first look")
        assert writer.status().minutes == pytest.approx(6, abs=0.05)
        assert said == []
        free[0] = RATE * 8 * 60 * 5
        wait_until(lambda: bool(said), "the warning")
        assert said == ["the disk has room for 5 minutes more of recording."]
        free[0] = RATE * 8
        assert writer.wait(10)
        assert "the disk is full: the recording has ended after 0.0 s; the show goes on." in said[-1]
        found = read_metadata(tmp_path / "take")
        assert (found.complete, found.frames) == (True, 960)

    def test_a_small_file_system_that_runs_full_ends_the_recording_and_not_the_sound(self, tmp_path: Path) -> None:
        with small_file_system(tmp_path / "small", 6 << 20), studio(tmp_path / "small") as playing:
            playing.load("buoy")
            take = playing.begin()
            while "the show goes on" not in playing.said():
                playing.play(12_000)
                time.sleep(0.02)
                assert playing.engine.time < 60 * RATE
            before = playing.engine.time
            assert playing.play(10_000).any()
            assert playing.engine.time == before + 10_000
            wait_until(lambda: any("stopped" in message for message in playing.told), "the end")
            found = read_metadata(take)
            assert found.complete
            recorded, _ = soundfile.read(take / "sound.wav", dtype="float32")
            # All but what is kept back for ending cleanly, and the files of the take itself.
            assert len(recorded) * 8 > (6 << 20) - RESERVE - 2 * RATE * 8 - (1 << 18)
            assert recorded.tobytes() == playing.sound[: len(recorded)].tobytes()

    def test_a_disk_that_others_fill_ends_it_as_well(self, tmp_path: Path) -> None:
        with small_file_system(tmp_path / "small", 6 << 20), studio(tmp_path / "small") as playing:
            playing.load("buoy")
            take = playing.begin()
            playing.play(48_000)
            wait_until(lambda: frames_in(take / "sound.wav") == 48_000, "the writer")
            with pytest.raises(OSError, match="No space"):
                (tmp_path / "small" / "other").write_bytes(bytes(6 << 20))
            playing.play(24_000)
            wait_until(lambda: any("stopped" in message for message in playing.told), "the end")
            assert "the show goes on" in playing.said()
            found = read_metadata(take)
            assert found.complete
            assert found.frames >= 48_000
            assert open_take(take).metadata.sound_sha256 == found.sound_sha256
            assert measure_sound(take / "sound.wav") == (found.frames, found.sound_sha256)


@contextmanager
def small_file_system(folder: Path, size: int) -> Iterator[None]:
    """A file system of a few MiB; where this user may mount none, the test is skipped, but never with CI=true."""
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    done = subprocess.run(mount, capture_output=True, text=True, check=False)
    if done.returncode:
        if os.environ.get("CI") == "true":
            raise RuntimeError(f"cannot mount a small file system: {done.stderr}")
        pytest.skip("only an administrator may mount a file system")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_piece_that_only_half_fits_is_counted_as_far_as_it_is_there(tmp_path: Path) -> None:
    take = new_take(tmp_path / "take")
    take.add_sound(PIECE)
    take._sound.write(PIECE[:100])  # what a write that fails halfway leaves
    take.finish(Counts())
    found = read_metadata(tmp_path / "take")
    assert found.frames == 1060
    assert open_take(tmp_path / "take").metadata.sound_sha256 == measure_sound(tmp_path / "take" / "sound.wav")[1]


def test_the_facts_are_replaced_whole(tmp_path: Path) -> None:
    take = new_take(tmp_path / "take")
    assert read_metadata(tmp_path / "take").complete is False
    assert [path.name for path in (tmp_path / "take").glob(f".{METADATA}*")] == []
    take.finish(Counts())
    assert read_metadata(tmp_path / "take").complete is True
