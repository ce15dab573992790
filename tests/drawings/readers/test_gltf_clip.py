"""Keyframes: steps, straight lines, even turns and cubic splines, as glTF 2.0 asks for them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline
from scipy.spatial.transform import Rotation, Slerp

from instrument.drawings.limits import DrawingError, Limits
from instrument.drawings.readers.file_contents import CompanionFolder
from instrument.drawings.readers.gltf_clip import Keyframes, clip_names, read_clip
from instrument.drawings.readers.gltf_file import open_gltf
from tools.factory.gltf_writer import GltfWriter

TIMES = np.array([0.5, 1.0, 2.5])


@given(
    st.lists(
        st.lists(st.floats(-1, 1), min_size=4, max_size=4).filter(lambda q: np.linalg.norm(q) > 0.1),
        min_size=3,
        max_size=3,
    ),
    st.floats(0.5, 2.5),
)
def test_turns_go_evenly_the_short_way_round(quaternions: list[list[float]], at: float) -> None:
    """Appendix C.4, beside scipy's Slerp."""
    turns = np.array(quaternions)
    turns /= np.linalg.norm(turns, axis=1, keepdims=True)
    found = Keyframes(TIMES, turns, "LINEAR", turns=True).at(np.array([at]))
    wanted = Slerp(TIMES, Rotation.from_quat(turns))([at])
    angle = (Rotation.from_quat(found) * wanted.inv()).magnitude()[0]
    # Half a turn has two short ways round, and either is one.
    halves = np.abs(np.einsum("ij,ij->i", turns[:-1], turns[1:])).min() < 1e-6
    assert angle < 1e-6 or halves


@given(st.lists(st.floats(-10, 10), min_size=9, max_size=9), st.floats(0.5, 2.5))
def test_splines_go_by_value_and_tangents(numbers: list[float], at: float) -> None:
    """Appendix C.5, beside scipy's CubicHermiteSpline, piece by piece since its tangents may differ on both sides."""
    table = np.array(numbers).reshape(3, 3, 1)
    found = Keyframes(TIMES, table, "CUBICSPLINE").at(np.array([at]))
    k = min(int(np.searchsorted(TIMES, at, side="right")) - 1, 1)
    piece = CubicHermiteSpline(TIMES[k : k + 2], table[k : k + 2, 1, 0], [table[k, 2, 0], table[k + 1, 0, 0]])
    assert found[0, 0] == pytest.approx(float(piece(at)), abs=1e-9)


def test_steps_hold_a_value_until_the_next_keyframe() -> None:
    """Appendix C.2."""
    track = Keyframes(TIMES, np.array([[1.0], [2.0], [3.0]]), "STEP")
    assert track.at(np.array([0.5, 0.99, 1.0, 2.49, 2.5]))[:, 0].tolist() == [1.0, 1.0, 2.0, 2.0, 3.0]


def test_straight_lines_hold_before_the_first_keyframe_and_behind_the_last() -> None:
    """Appendix C.3, and 3.11: clamped to the nearest end."""
    track = Keyframes(TIMES, np.array([[1.0], [2.0], [5.0]]), "LINEAR")
    assert track.at(np.array([-9.0, 0.75, 1.75, 99.0]))[:, 0].tolist() == [1.0, 1.5, 3.5, 5.0]


def test_a_spline_of_turns_gives_unit_quaternions() -> None:
    table = np.zeros((2, 3, 4))
    table[0, 1], table[1, 1] = [0, 0, 0, 1], [0, 0, 1, 0]
    found = Keyframes(TIMES[:2], table, "CUBICSPLINE", turns=True).at(np.linspace(0.5, 1.0, 9))
    assert np.linalg.norm(found, axis=1) == pytest.approx(np.ones(9))


def one_node(times: object, values: object, path: str = "translation", manner: str = "LINEAR") -> GltfWriter:
    writer = GltfWriter()
    writer.scene["nodes"] = [{}]
    writer.animate("wade", 0, path, np.asarray(times), np.asarray(values), manner)
    return writer


def clip_of(writer: GltfWriter, name: str = "wade", limits: Limits | None = None) -> object:
    return read_clip(open_gltf(writer.glb(), CompanionFolder(limits=limits or Limits())), name)


def test_clips_go_by_their_names_or_by_their_numbers() -> None:
    assert clip_names({"animations": [{"name": "wade"}, {}, {"name": ""}]}) == ["wade", "2", "3"]


@pytest.mark.parametrize(
    ("writer", "name", "words"),
    [
        (one_node([0, 1], [[0, 0, 0], [1, 0, 0]]), "fly", "there is no clip 'fly' in it; it has wade"),
        (one_node([0, 0], [[0, 0, 0], [1, 0, 0]]), "wade", "do not rise"),
        (one_node([1, 0], [[0, 0, 0], [1, 0, 0]]), "wade", "do not rise"),
        (one_node([0, np.nan], [[0, 0, 0], [1, 0, 0]]), "wade", "no numbers"),
        (one_node([0, 1], [[0, 0, 0]]), "wade", "2 keyframes of translation, and 3 numbers"),
        (one_node([0, 1], [[0, 0, 0], [1, 0, np.inf]]), "wade", "that are no numbers"),
        (one_node([0, 1], [[0, 0, 0], [1, 0, 0]], manner="BOUNCE"), "wade", "'BOUNCE', which is not read"),
        (one_node([0, 1], [[0, 0, 0], [1, 0, 0]], path="pointer"), "wade", "moves nothing that is drawn"),
    ],
)
def test_a_bad_clip_is_refused_in_words(writer: GltfWriter, name: str, words: str) -> None:
    with pytest.raises(DrawingError, match=words):
        clip_of(writer, name)


def test_more_keyframes_than_are_allowed_are_refused() -> None:
    writer = one_node(np.arange(400), np.zeros((400, 3)))
    with pytest.raises(DrawingError, match="at most 1,000 are allowed"):
        clip_of(writer, limits=Limits(points=1000))
