"""Unsaved changes survive the end of a show, however it comes."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from instrument.engine.parameters import ADDRESSES, index_of
from instrument.patch.build import base_values, build_program
from instrument.patch.patch_file import load_patch
from instrument.repertoire.recovery_file import find_recoveries, recovery_path, remove_recovery, write_recovery

if TYPE_CHECKING:
    from pathlib import Path

PATCH = 'schema = 1\n[[layer]]\nlevel = 0.5\n[layer.source]\nkind = "path"\ndrawing = "quay.csv"\n'


@pytest.fixture
def patch(tmp_path: Path) -> Path:
    (tmp_path / "quay.csv").write_text("x,y\n0,0\n1,0\n1,1\n")
    path = tmp_path / "quay.toml"
    path.write_text(PATCH)
    return path


def values_with(patch: Path, address: str, value: float) -> list[float]:
    values = base_values(build_program(load_patch(patch))).tolist()
    values[index_of(address)] = value
    return values


def ended_process() -> int:
    """Number of a process that has ended."""
    with subprocess.Popen([sys.executable, "-S", "-c", ""]) as process:
        return process.pid


def as_left_by(record: Path, process: int) -> None:
    for path in (record, record.with_suffix(".toml")):
        path.rename(path.with_name(path.name.replace(f"-{os.getpid()}.", f"-{process}.")))


def test_what_an_ended_show_left_is_offered_with_every_bit(patch: Path, tmp_path: Path) -> None:
    record = recovery_path(patch, tmp_path / "kept")
    values = values_with(patch, "layer.1.level", -float("inf"))
    write_recovery(record, patch, PATCH + "# edited\n", values)
    assert find_recoveries(record.parent) == []  # its show still plays
    as_left_by(record, ended_process())
    (kept,) = find_recoveries(record.parent)
    assert (kept.patch, kept.text) == (patch, PATCH + "# edited\n")
    assert [kept.values[address] for address in ADDRESSES] == values
    assert kept.age == "a moment"
    assert load_patch(kept.playable).layer[0].level == -float("inf")
    remove_recovery(kept.record)
    assert list(record.parent.iterdir()) == []


def test_what_is_kept_can_be_played_from_where_it_lies(patch: Path, tmp_path: Path) -> None:
    record = recovery_path(patch, tmp_path / "state" / "kept")
    write_recovery(record, patch, PATCH, values_with(patch, "layer.1.level", 0.25))
    playable = load_patch(record.with_suffix(".toml"))
    assert playable.layer[0].level == 0.25
    assert build_program(playable).paths[0].shape[-1] == 3


def test_a_file_that_cannot_be_read_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / f"a-b-{ended_process()}.json").write_text("{")
    (tmp_path / "notes.json").write_text("{}")
    assert find_recoveries(tmp_path) == []


def test_values_that_an_earlier_version_left_are_those_of_present_addresses(patch: Path, tmp_path: Path) -> None:
    record = recovery_path(patch, tmp_path / "kept")
    write_recovery(record, patch, PATCH, values_with(patch, "layer.3.form.gaps.open", 0.125))
    as_left_by(record, ended_process())
    (left,) = record.parent.glob("*.json")
    left.write_text(left.read_text().replace(".form.gaps.", ".form.chop.").replace("output.knee", "output.elbow"))
    (kept,) = find_recoveries(record.parent)
    assert kept.values["layer.3.form.gaps.open"] == 0.125
    assert set(ADDRESSES) - kept.values.keys() == {"output.knee"}
