"""A file of patches in their order."""

from pathlib import Path

import pytest

from instrument.patch.patch_errors import PatchError
from instrument.patch.set_list_file import patches_named


def written(folder: Path, text: str) -> Path:
    path = folder / "festival.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_it_names_patches_beside_it_in_their_order(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        'schema = 1\ntitle = "First night"\npatches = ["moth.toml", "tide/buoy.toml", "moth.toml"]\n',
    )
    assert patches_named(path) == (
        tmp_path / "moth.toml",
        tmp_path / "tide" / "buoy.toml",
        tmp_path / "moth.toml",
    )


@pytest.mark.parametrize("text", ['schema = 1\ntitle = "Moth"\n', "", "not TOML", "\0"])
def test_anything_else_stands_for_itself(tmp_path: Path, text: str) -> None:
    path = written(tmp_path, text)
    assert patches_named(path) == (path,)


def test_a_file_that_is_not_there_stands_for_itself(tmp_path: Path) -> None:
    assert patches_named(tmp_path / "gone.toml") == (tmp_path / "gone.toml",)


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("schema = 1\npatches = []", 2, "patches is []; it takes a list of 1 to 512 patch files"),
        ("schema = 1\npatches = ['moth.toml', 7]", 2, "patches.2 is 7; it takes the name of a patch file"),
        ("schema = 1\npatches = ['moth.toml']\ntempo = 3", 3, "tempo is not a field"),
        ("schema = 9\npatches = ['moth.toml']", 1, "schema is 9; it takes the version of the file format"),
        ("patches = ['moth.toml']", None, "schema is missing; it must be written."),
    ],
)
def test_a_fault_is_named_with_its_line(tmp_path: Path, text: str, line: int | None, said: str) -> None:
    with pytest.raises(PatchError) as caught:
        patches_named(written(tmp_path, text))
    assert caught.value.line == line
    assert caught.value.problems[0].text.startswith(said)
