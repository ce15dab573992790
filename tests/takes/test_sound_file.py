"""Sound files that are good at any moment, and 24 bits without dither."""

import ctypes
import os
import shutil
import time
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from instrument.takes.sound_file import FloatFile, to_24_bits

RATE = 48_000


def noise(frames: int, seed: int = 1) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    return np.random.default_rng(seed).uniform(-1, 1, (frames, 2)).astype(np.float32)


def decoded(path: Path) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """The samples as FFmpeg reads them."""
    with av.open(str(path)) as container:
        pieces = [frame.to_ndarray() for frame in container.decode(audio=0)]
    return np.concatenate([piece.reshape(-1, 2) for piece in pieces]).astype(np.float32, copy=False)


def test_what_is_written_is_there_at_once_for_everybody(tmp_path: Path) -> None:
    sound = noise(5000)
    with FloatFile(tmp_path / "x.wav", RATE, {}) as file:
        for end in (100, 101, 5000):
            file.write(sound[len(soundfile.read(tmp_path / "x.wav")[0]) : end])
            copy = shutil.copy(tmp_path / "x.wav", tmp_path / f"{end}.wav")
            assert soundfile.read(copy, dtype="float32")[0].tobytes() == sound[:end].tobytes()
            assert decoded(Path(copy)).tobytes() == sound[:end].tobytes()
    assert soundfile.info(tmp_path / "x.wav").format == "RF64"


def test_the_same_samples_make_the_same_file_at_any_time(tmp_path: Path) -> None:
    for name in "ab":
        with FloatFile(tmp_path / f"{name}.wav", RATE, {"title": "Ebb"}) as file:
            file.write(noise(1000))
        time.sleep(1.1)  # libsndfile's PEAK chunk tells the second
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


def test_tags_are_read_by_others(tmp_path: Path) -> None:
    tags = {"title": "Ebb ü", "artist": "the harbour watch", "date": "2031-01-02"}
    with FloatFile(tmp_path / "x.wav", RATE, tags) as file:
        file.write(noise(10))
    with av.open(str(tmp_path / "x.wav")) as container:
        assert {name: container.metadata[name] for name in tags} == tags


def test_a_file_that_is_there_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "x.wav").write_bytes(b"mine")
    with pytest.raises(FileExistsError):
        FloatFile(tmp_path / "x.wav", RATE, {})
    assert (tmp_path / "x.wav").read_bytes() == b"mine"


@given(npst.arrays(np.float32, (7, 2), elements=st.floats(-1, 1, width=32)))
def test_24_bits_are_the_nearest_ones(frames: np.ndarray[tuple[int, ...], np.dtype[np.float32]]) -> None:
    numbers, clipped = to_24_bits(frames)
    for number, exact in zip((numbers >> 8).ravel().tolist(), frames.ravel().tolist(), strict=True):
        nearest = round(Fraction(exact) * (1 << 23))
        assert number == min(nearest, (1 << 23) - 1)
    assert clipped == int(np.count_nonzero(np.rint(frames.astype(np.float64) * (1 << 23)) > (1 << 23) - 1))


def test_flac_holds_whole_numbers_of_24_bits_exactly(tmp_path: Path) -> None:
    # RFC 9639: FLAC keeps integer samples without loss.
    wanted = np.random.default_rng(2).integers(-(1 << 23), 1 << 23, (3000, 2))
    frames = (wanted / (1 << 23)).astype(np.float32)
    with soundfile.SoundFile(tmp_path / "x.flac", "w", RATE, 2, "PCM_24", format="FLAC") as file:
        file.write(to_24_bits(frames)[0])
    found, _ = soundfile.read(tmp_path / "x.flac", dtype="int32")
    assert (found >> 8).tolist() == wanted.tolist()


def punch(path: Path, first: int, count: int) -> None:
    """Give the room of bytes back that were written, so that they read as 0, where the file system knows how to.

    FALLOC_FL_KEEP_SIZE and FALLOC_FL_PUNCH_HOLE are 1 and 2 (linux/falloc.h).
    """
    handle = os.open(path, os.O_RDWR)
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        libc.fallocate(handle, 3, ctypes.c_int64(first), ctypes.c_int64(count))
    finally:
        os.close(handle)


@pytest.mark.slow
@pytest.mark.skipif(os.environ.get("CI") != "true", reason="writes 4.1 GiB; CI=true runs it")
def test_a_recording_beyond_4_gib_reads_to_its_end(tmp_path: Path) -> None:
    # 2**32 bytes is what the sizes of the older format end at (EBU Tech 3306).
    path = tmp_path / "long.wav"
    piece = noise(1 << 21)
    count = (int(4.1 * (1 << 30)) // piece.nbytes) + 1
    punched = 1 << 20
    with FloatFile(path, 192_000, {"title": "Long"}) as file:
        for k in range(count):
            file.write(piece)
            # What has been written long ago is let go of again, so that the disk need not hold it.
            if k % 8 == 7 and k < count - 8:
                punch(path, punched, (k << 24) - punched)
                punched = k << 24
    assert path.stat().st_size > 4.1 * (1 << 30)
    frames = count * len(piece)
    with soundfile.SoundFile(path) as sound:
        assert sound.frames == frames
        assert sound.read(1000, dtype="float32").tobytes() == piece[:1000].tobytes()
        sound.seek(frames - 1000)
        assert sound.read(dtype="float32").tobytes() == piece[-1000:].tobytes()
    with av.open(str(path)) as container:
        (stream,) = container.streams.audio
        assert stream.duration == frames
        container.seek(frames - 5000, stream=stream)
        tail = [frame.to_ndarray().reshape(-1, 2) for frame in container.decode(stream)]
    assert np.concatenate(tail)[-1000:].tobytes() == piece[-1000:].tobytes()
    path.unlink()
