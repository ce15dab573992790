"""A new patch plays at once and explains itself."""

from pathlib import Path

import pytest

from instrument.patch.build import build_program
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import load_patch, new_patch


def test_it_is_named_after_its_file_and_builds(tmp_path: Path) -> None:
    path = tmp_path / "night heron.toml"
    new_patch(path)
    patch = load_patch(path)
    assert patch.title == "night heron"
    assert build_program(patch).record["layers"][0]["source"] != 0
    assert len(patch.control) > 0


def test_every_table_of_it_has_a_comment(tmp_path: Path) -> None:
    new_patch(tmp_path / "x.toml")
    blocks = (tmp_path / "x.toml").read_text().split("\n\n")
    assert sum("#" in block for block in blocks) > len(blocks) / 2


@pytest.mark.parametrize("name", ['quo"te\\.toml', "Möwe.toml", "a\nb.toml", ".toml"])
def test_any_name_of_a_file_makes_a_patch_that_is_read(tmp_path: Path, name: str) -> None:
    new_patch(tmp_path / name)
    load_patch(tmp_path / name)


def test_what_is_there_already_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("mine")
    with pytest.raises(PatchError, match="there is something of this name already; give the new patch another name"):
        new_patch(path)
    assert path.read_text() == "mine"


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(PatchError, match=r"cannot be written \(No such file or directory\); choose a folder"):
        new_patch(tmp_path / "nowhere" / "x.toml")
