"""Every key and list item of a TOML text is found on its line."""

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from instrument.patch.line_numbers import FieldPath, lines_of

EVERYTHING = '''# comment = 1
title = "a # b = [c"  # trailing
about = """
two = 1
lines \\""" more"""
'quoted key'."dotted \\" key" = 1
plain = {a = 1, b.c = [1, 2]}

[mix] # x
mode = 'su#m'
[[layer]]
name = "one"
[layer.source]
x = [
  # comment ] }
  {amplitude = 1, ratio = 2},
  {amplitude = 3},
]
[[layer]]
pen.frequency = 1979-05-27T07:32:00Z
[layer.place]
scale = [[1, 2],
 [3,
  4]]
[[layer.part]]
k = 1
[[layer.part]]
k = 2
raw = \'\'\'
[not]
\'\'\'
last = 1
'''


def paths(data: Any, path: FieldPath = ()) -> Iterator[FieldPath]:
    if path:
        yield path
    if isinstance(data, dict):
        for key, value in data.items():
            yield from paths(value, (*path, key))
    elif isinstance(data, list):
        for k, value in enumerate(data):
            yield from paths(value, (*path, k))


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("title",), 2),
        (("about",), 3),
        (("quoted key", 'dotted " key'), 6),
        (("plain", "b", "c", 1), 7),
        (("mix",), 9),
        (("mix", "mode"), 10),
        (("layer", 0), 11),
        (("layer", 0, "source", "x", 0, "ratio"), 16),
        (("layer", 0, "source", "x", 1), 17),
        (("layer", 1, "pen", "frequency"), 20),
        (("layer", 1, "place", "scale", 1, 1), 24),
        (("layer", 1, "part", 1, "k"), 28),
        (("layer", 1, "part", 1, "last"), 32),
    ],
)
def test_a_path_leads_to_its_line(path: FieldPath, line: int) -> None:
    assert lines_of(EVERYTHING)[path] == line


def test_exactly_what_tomllib_reads_is_found() -> None:
    assert set(lines_of(EVERYTHING)) == set(paths(tomllib.loads(EVERYTHING)))


KEYS = st.text(min_size=1, max_size=6)
VALUES = st.recursive(
    st.one_of(st.integers(-99, 99), st.floats(allow_nan=False), st.text(max_size=8), st.booleans()),
    lambda below: st.lists(below, max_size=3) | st.dictionaries(KEYS, below, max_size=3),
    max_leaves=12,
)


@given(st.dictionaries(KEYS, VALUES, max_size=5))
def test_whatever_tomlkit_writes_is_found(data: dict[str, Any]) -> None:
    text = tomlkit.dumps(data)
    assert set(lines_of(text)) == set(paths(tomllib.loads(text)))


@given(st.text(alphabet="[]{}=\"'.,#\n ab1\\", max_size=60))
def test_a_text_that_is_not_toml_ends_the_search_in_peace(text: str) -> None:
    assert all(1 <= line <= text.count("\n") + 1 for line in lines_of(text).values())
