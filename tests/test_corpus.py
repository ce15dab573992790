"""Files from strangers: each reader accepts them or refuses them with a sentence, and does nothing else.

The seeds in tests/corpus are read as they are and damaged; `tools/trials/fuzz.py` goes on from them for as long as one likes.
Drawings have a fuzz test of their own, with all their kinds (tests/drawings/test_fuzz.py), and so have raw bytes of MIDI
files (tests/midi/files/test_performance.py) and of sound files (tests/measure/test_sound_reader.py).
"""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tools.trials.fuzz import FOLLOWED, READERS, damaged, seeds_of, try_file

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = sorted((ROOT / "instrument").rglob("*.py"))

SEEDS = [(reader, path) for reader in READERS for path in seeds_of(reader)]


@pytest.mark.parametrize(("reader", "path"), SEEDS, ids=[f"{reader}/{path.name}" for reader, path in SEEDS])
def test_a_file_of_the_corpus_is_accepted_or_refused_in_one_sentence(reader: str, path: Path) -> None:
    refused = try_file(reader, path)
    if path.stem == "good":
        assert refused == ""


@pytest.mark.parametrize("reader", [name for name in READERS if name != "drawing"])
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_damaged_file_is_accepted_or_refused(tmp_path: Path, reader: str, data: st.DataObject) -> None:
    seed = data.draw(st.sampled_from(seeds_of(reader)))
    path = tmp_path / f"damaged{seed.suffix}"
    path.write_bytes(damaged(seed.read_bytes(), random.Random(data.draw(st.integers(0, 2**32)))))
    try_file(reader, path)


def test_nothing_that_is_compiled_is_followed_by_the_fuzzer() -> None:
    # atheris writes calls of its own between the instructions, which numba cannot compile.
    modules = {path: path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".") for path in PACKAGE}
    followed = [path for path, name in modules.items() if f"{name}.".startswith(tuple(f"{f}." for f in FOLLOWED))]
    assert len(followed) > 50
    assert [str(path) for path in followed if re.search(r"numba|@compiled", path.read_text())] == []


def test_every_reader_has_seeds_good_and_bad() -> None:
    for reader in READERS:
        names = [path.stem for path in seeds_of(reader)]
        assert "good" in names
        assert len(names) >= 4
