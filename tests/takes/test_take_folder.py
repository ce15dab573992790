"""The folder of a take: names that never clash, facts that are checked, tags, and what is said to the stage."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.takes.sound_file import tags_from
from instrument.takes.take_folder import (
    METADATA,
    TakeError,
    TakeMetadata,
    inside,
    new_folder,
    read_metadata,
    slug,
    write_metadata,
)

WHEN = datetime(2031, 5, 1, 22, 3, 4, tzinfo=UTC)


def test_a_folder_is_named_by_date_time_and_patch(tmp_path: Path) -> None:
    assert new_folder(tmp_path / "deep", WHEN, "Knot & tide").name == "2031-05-01_22-03-04_knot-tide"


def test_two_takes_of_one_second_have_names_of_their_own(tmp_path: Path) -> None:
    names = [new_folder(tmp_path, WHEN, "knot").name for _ in range(3)]
    assert names[1:] == [f"{names[0]}_2", f"{names[0]}_3"]


@given(st.text())
def test_any_title_makes_a_name_that_every_file_system_takes(title: str) -> None:
    name = slug(title)
    assert name
    assert len(name) <= 40
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


@given(
    title=st.text(st.characters(codec="utf-8", exclude_characters="\r")),
    lost=st.lists(st.tuples(st.integers(0, 1 << 40), st.integers(1, 1 << 30))),
)
def test_facts_come_back_as_they_were(
    title: str, lost: list[tuple[int, int]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("take")
    metadata = TakeMetadata(rate=48_000, title=title, lost=lost, longest_lag=0.25, doubts=["a doubt"])
    write_metadata(folder, metadata)
    assert read_metadata(folder) == metadata


@given(data=st.binary(max_size=300))
def test_no_bytes_are_worse_than_a_plain_error(data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("take")
    (folder / METADATA).write_bytes(data)
    with pytest.raises(TakeError, match=r"take\.toml"):
        read_metadata(folder)


@pytest.mark.parametrize("name", ["..", "../x", "/etc/passwd", "a/../../x", "a\0b"])
def test_a_name_that_leads_out_is_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(TakeError, match="leads out of the take's folder"):
        inside(tmp_path, name)


@pytest.mark.parametrize("setting", ["colour=red", "title", "=x", ""])
def test_a_tag_that_does_not_exist_is_refused(setting: str) -> None:
    with pytest.raises(ValueError, match="write one of title, artist, date"):
        tags_from([setting])
