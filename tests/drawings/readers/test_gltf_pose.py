"""Poses of glTF models: nodes, morph targets and skins as the specification's equations place them; hostile files."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from instrument.drawings.limits import DrawingError, Limits
from instrument.drawings.readers.file_contents import CompanionFolder
from instrument.drawings.readers.gltf_pose import parse_moving_gltf
from instrument.drawings.readers.moving_mesh import MovingMesh
from tools.factory.gltf_writer import GltfWriter

CORNERS = np.array([[0.0, 0, 0], [1, 0, 0], [1, 2, 0], [0, 2, 1]])
QUARTER = [0.0, 0.0, np.sqrt(0.5), np.sqrt(0.5)]


def model(**primitive: object) -> GltfWriter:
    """Return a file with one mesh of two triangles, and no node."""
    writer = GltfWriter()
    attributes = {"POSITION": writer.table(CORNERS), **primitive.pop("attributes", {})}  # type: ignore[dict-item]
    indices = writer.table([0, 1, 2, 0, 2, 3], "<u2")
    writer.scene["meshes"] = [{"primitives": [{"attributes": attributes, "indices": indices, **primitive}]}]
    return writer


def moving(writer: GltfWriter, clip: str = "wade", rate: float = 10.0, limits: Limits | None = None) -> MovingMesh:
    return parse_moving_gltf(writer.glb(), clip, rate, CompanionFolder(limits=limits or Limits()))


def test_nodes_carry_what_hangs_below_them() -> None:
    """3.5.2 and 3.5.3: the matrix of a node is its parent's times move, turn and scale."""
    writer = model()
    writer.scene["nodes"] = [{"children": [1], "scale": [2, 2, 2]}, {"mesh": 0, "translation": [0, 1, 0]}]
    writer.animate("wade", 0, "rotation", [0, 1], [[0, 0, 0, 1], QUARTER])
    found = moving(writer)
    assert (found.frames, found.seconds) == (10, 1.0)
    for frame in range(10):
        turn = Rotation.from_euler("z", 9 * frame, degrees=True)
        assert found.points_at(frame) == pytest.approx(turn.apply(2 * (CORNERS + np.array([0, 1, 0]))), abs=1e-6)


def test_morph_targets_are_added_by_their_weights() -> None:
    """3.7.2.2: p = base + sum of weight times displacement."""
    writer = model()
    first, second = np.ones((4, 3)), np.arange(12.0).reshape(4, 3)
    targets = [{"POSITION": writer.table(first)}, {"POSITION": writer.table(second)}]
    writer.scene["meshes"][0]["primitives"][0]["targets"] = targets
    writer.scene["nodes"] = [{"mesh": 0}]
    writer.animate("wade", 0, "weights", [0, 1], np.array([0.0, 1.0, 1.0, 0.5]))
    found = moving(writer)
    for frame in range(10):
        t = frame / 10
        assert found.points_at(frame) == pytest.approx(CORNERS + t * first + (1 - 0.5 * t) * second, abs=1e-5)


def skinned(weights: NDArray[np.float64], bind: NDArray[np.float64]) -> GltfWriter:
    writer = model()
    joints = np.tile([0, 1, 0, 0], (4, 1))
    attributes = writer.scene["meshes"][0]["primitives"][0]["attributes"]
    attributes["JOINTS_0"] = writer.table(joints, "|u1")
    attributes["WEIGHTS_0"] = writer.table(weights)
    # The mesh's own node is moved far away, which must count for nothing (3.7.3.3).
    writer.scene["nodes"] = [
        {"mesh": 0, "skin": 0, "translation": [99, 99, 99]},
        {"children": [2], "translation": [1, 0, 0]},
        {"translation": [0, 1, 0]},
    ]
    writer.scene["scenes"] = [{"nodes": [0, 1]}]
    matrices = writer.table(bind.transpose(0, 2, 1).reshape(2, 16))
    writer.scene["skins"] = [{"joints": [1, 2], "inverseBindMatrices": matrices}]
    writer.animate("wade", 2, "rotation", [0, 1], [[0, 0, 0, 1], QUARTER])
    return writer


def test_skins_follow_the_equation_of_the_specification() -> None:
    """3.7.3.3: sum of weight times joint matrix, and that is the joint's global matrix times its inverse bind matrix."""
    weights = np.array([[1.0, 0, 0, 0], [0.5, 0.5, 0, 0], [0, 1, 0, 0], [0.25, 0.75, 0, 0]])
    bind = np.tile(np.eye(4), (2, 1, 1))
    bind[0, :3, 3], bind[1, :3, 3] = [-1, 0, 0], [-1, -1, 0]
    found = moving(skinned(weights, bind))
    for frame in range(10):
        joint = [np.eye(4), np.eye(4)]
        joint[0][:3, 3] = [1, 0, 0]
        joint[1][:3, :3] = Rotation.from_euler("z", 9 * frame, degrees=True).as_matrix()
        joint[1][:3, 3] = [1, 1, 0]
        wanted = np.zeros((4, 3))
        for row, point in enumerate(CORNERS):
            for k in range(2):
                wanted[row] += weights[row, k] * (joint[k] @ bind[k] @ [*point, 1.0])[:3]
        assert found.points_at(frame) == pytest.approx(wanted, abs=1e-5)


def test_at_rest_a_skin_leaves_its_points_where_they_were_bound() -> None:
    weights = np.tile([0.5, 0.5, 0, 0], (4, 1))
    bind = np.tile(np.eye(4), (2, 1, 1))
    bind[0, :3, 3], bind[1, :3, 3] = [-1, 0, 0], [-1, -1, 0]
    assert moving(skinned(weights, bind)).points_at(0) == pytest.approx(CORNERS, abs=1e-6)


def still() -> GltfWriter:
    writer = model()
    writer.scene["nodes"] = [{"mesh": 0}, {}]
    writer.animate("wade", 0, "translation", [0, 1], [[0, 0, 0], [1, 0, 0]])
    return writer


def ringed() -> GltfWriter:
    writer = still()
    writer.scene["nodes"] = [{"mesh": 0, "children": [1]}, {"children": [0]}]
    writer.scene["scenes"] = [{"nodes": [0]}]
    return writer


def with_two_parents() -> GltfWriter:
    writer = still()
    writer.scene["nodes"] = [{"mesh": 0}, {"children": [0]}, {"children": [0]}]
    return writer


def without_that_joint() -> GltfWriter:
    writer = skinned(np.tile([1.0, 0, 0, 0], (4, 1)), np.tile(np.eye(4), (2, 1, 1)))
    writer.scene["skins"][0]["joints"] = [1]
    return writer


def with_a_joint_that_is_no_node() -> GltfWriter:
    writer = skinned(np.tile([1.0, 0, 0, 0], (4, 1)), np.tile(np.eye(4), (2, 1, 1)))
    writer.scene["skins"][0]["joints"] = [1, 77]
    return writer


def with_a_thousand_joints() -> GltfWriter:
    writer = skinned(np.tile([1.0, 0, 0, 0], (4, 1)), np.tile(np.eye(4), (2, 1, 1)))
    writer.scene["skins"][0] = {"joints": [1] * 200_000}
    return writer


def that_lasts(seconds: float) -> GltfWriter:
    writer = model()
    writer.scene["nodes"] = [{"mesh": 0}]
    writer.animate("wade", 0, "translation", [0, seconds], [[0, 0, 0], [1, 0, 0]])
    return writer


def with_an_accessor_past_the_end() -> GltfWriter:
    writer = still()
    writer.scene["accessors"][writer.scene["animations"][0]["samplers"][0]["output"]]["byteOffset"] = 10_000
    return writer


def with_short_morphs() -> GltfWriter:
    writer = still()
    writer.scene["meshes"][0]["primitives"][0]["targets"] = [{"POSITION": writer.table(np.ones((2, 3)))}]
    return writer


@pytest.mark.parametrize(
    ("writer", "words"),
    [
        (ringed(), "nested in a ring"),
        (with_two_parents(), "hangs below two others"),
        (without_that_joint(), "hangs on joint 1, but the skin has only 1"),
        (with_a_joint_that_is_no_node(), "node 77 is named, but there are only 3"),
        (with_a_thousand_joints(), "too many for so many frames"),
        (that_lasts(1e30), "Set frame_rate to"),
        (that_lasts(600), "Set frame_rate to 3.38 or less"),
        (with_an_accessor_past_the_end(), "the file is cut off"),
        (with_short_morphs(), "morph target 1 has 2 points, its mesh 4"),
    ],
)
def test_a_hostile_file_is_refused_in_one_sentence(writer: GltfWriter, words: str) -> None:
    with pytest.raises(DrawingError, match=words):
        moving(writer, rate=25.0)
