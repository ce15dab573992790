"""Point lists: comma-separated text and NumPy arrays."""

from __future__ import annotations

import io
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.drawings.limits import DrawingError
from instrument.drawings.readers.point_lists import parse_csv, parse_npy
from instrument.drawings.routing.route import route
from instrument.drawings.strokes import from_strokes
from tests.drawings.drawings import check_route, stroke_lists


def saved(table: np.ndarray[tuple[int, ...], np.dtype[np.generic]]) -> bytes:
    stream = io.BytesIO()
    np.save(stream, table, allow_pickle=False)
    return stream.getvalue()


@given(stroke_lists(), st.sampled_from([",", ";", "\t", " ", ", "]))
@settings(max_examples=80, deadline=None)
def test_strokes_written_as_text_are_read_back(strokes: list[list[tuple[float, ...]]], mark: str) -> None:
    text = "\n\n".join("\n".join(mark.join(map(repr, point)) for point in stroke) for stroke in strokes)
    drawing = parse_csv(text.encode())
    expected = from_strokes(strokes)
    assert np.array_equal(drawing.points, expected.points)
    assert np.array_equal(drawing.edges, expected.edges)


@given(stroke_lists(depth=3))
@settings(max_examples=60, deadline=None)
def test_points_in_three_dimensions_become_a_route(strokes: list[list[tuple[float, ...]]]) -> None:
    text = "\n\n".join("\n".join(",".join(map(repr, point)) for point in stroke) for stroke in strokes)
    try:
        found = route(parse_csv(text.encode()))
    except DrawingError:
        return
    check_route(found)


def test_names_comments_quotes_and_decimal_commas_are_understood() -> None:
    assert parse_csv(b'"x";"y"\n# tide\n0,5;1\n"2";3,25;\n').points.tolist() == [[0.5, 1, 0], [2, 3.25, 0]]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
def test_text_is_read_in_any_encoding(encoding: str) -> None:
    assert len(parse_csv("Länge,Höhe\n0,0\n1,1\n".encode(encoding)).edges) == 1


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (b"0,0\n1,x\n", 2, "'1,x' should be 2 or 3 finite numbers"),
        (b"0,0\n1,nan\n", 2, "'1,nan' should be 2 or 3 finite numbers"),
        (b"0,0\n1,inf\n", 2, "should be 2 or 3 finite numbers"),
        (b"x,y\na,b\n", 2, "should be 2 or 3 finite numbers"),
        (b"0,0\n1,1,1\n", 2, "3 numbers here, but 2 in the lines before"),
        (b"1\n2\n", 1, "should be 2 or 3 finite numbers"),
    ],
)
def test_a_bad_line_is_named(text: bytes, line: int, words: str) -> None:
    with pytest.raises(DrawingError, match=words) as caught:
        parse_csv(text)
    assert caught.value.line == line


@pytest.mark.parametrize("kind", ["f8", "f4", ">f8", "i4", "u1"])
@pytest.mark.parametrize("shape", [(6, 2), (4, 3), (3, 4, 2), (2, 2, 3)])
@pytest.mark.parametrize("order", ["C", "F"])
def test_arrays_of_numbers_are_read_as_numpy_reads_them(kind: str, shape: tuple[int, ...], order: str) -> None:
    table = np.arange(np.prod(shape)).reshape(shape).astype(kind)
    drawing = parse_npy(saved(np.asarray(table, order=order)))  # type: ignore[call-overload]
    assert np.array_equal(drawing.points[:, : shape[-1]], table.reshape(-1, shape[-1]))
    strokes = shape[0] if len(shape) == 3 else 1
    assert len(drawing.edges) == len(drawing.points) - strokes


def test_an_array_that_claims_more_than_it_holds_is_refused() -> None:
    content = saved(np.zeros((4, 2)))
    huge = content.replace(b"(4, 2), }        ", b"(4000000000, 2),}")
    assert huge != content
    with pytest.raises(DrawingError, match="the header claims 8,000,000,000 numbers, but the file holds 8"):
        parse_npy(huge)


def test_objects_are_never_loaded() -> None:
    stream = io.BytesIO()
    np.save(stream, np.array([{"a": 1}], object), allow_pickle=True)
    with pytest.raises(DrawingError, match="not plain numbers"):
        parse_npy(stream.getvalue())
    with pytest.raises(DrawingError, match="not a NumPy array file"):
        parse_npy(pickle.dumps([1, 2]))


@pytest.mark.parametrize("shape", [(4,), (4, 4), (2, 2, 2, 2), (4, 1)])
def test_other_shapes_are_refused_with_those_that_are_drawn(shape: tuple[int, ...]) -> None:
    with pytest.raises(DrawingError, match=r"\(points, 2\), \(points, 3\) or"):
        parse_npy(saved(np.zeros(shape)))


def test_an_array_with_a_hole_in_it_names_the_point() -> None:
    table = np.zeros((5, 2))
    table[3, 1] = np.nan
    with pytest.raises(DrawingError, match=r"point 4 is \(0, nan, 0\)"):
        route(parse_npy(saved(table)))


def test_an_array_file_in_the_manner_of_python_2_is_read() -> None:
    content = saved(np.asarray([[0.0, 0.0], [1.0, 2.0], [3.0, 1.0]]))
    old = content.replace(b"(3, 2), } ", b"(3L, 2), }", 1)
    assert len(old) == len(content)
    assert old != content
    assert len(parse_npy(old).points) == 3
