"""Programs kept in takes: built again they are the same, and a stranger's file can do no harm."""

import io
import zipfile
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.engine.engine import Engine
from instrument.engine.parameters import ADDRESSES, index_of
from instrument.engine.program import Program, new_program
from instrument.patch.build import build_program
from instrument.patch.factory import factory_folder
from instrument.patch.formula.parser import compile_formula
from instrument.patch.patch_file import load_patch
from instrument.takes.stored_program import (
    StoredProgram,
    copy_program,
    identity_in,
    identity_of,
    read_program,
    rebuild,
    write_program,
)
from instrument.takes.take_folder import TakeError

FACTORY = sorted(factory_folder().glob("*.toml"))


@pytest.mark.parametrize("path", FACTORY, ids=lambda path: path.stem)
def test_every_factory_patch_is_built_again_bit_for_bit(path: Path, tmp_path: Path) -> None:
    patch = load_patch(path)
    program = build_program(patch)
    program.set("layer.1.level", 1 / 3)  # turned by hand before a drawing was saved again
    engine = Engine(48_000)
    slot = engine.load(program)
    write_program(tmp_path / "x.npz", copy_program(engine.record, slot))
    # Without the drawings: the line itself is kept.
    (tmp_path / path.name).write_text(patch.text)
    stored = read_program(tmp_path / "x.npz")
    found = rebuild(stored, patch.text, tmp_path / path.name)
    assert identity_of(found) == stored.identity == identity_of(program)
    assert found.record.tobytes() == program.record.tobytes()
    assert {k: line.tobytes() for k, line in found.paths.items()} == {
        k: line.tobytes() for k, line in program.paths.items()
    }
    assert {k: terms.tobytes() for k, terms in found.terms.items()} == {
        k: terms.tobytes() for k, terms in program.terms.items()
    }


def test_values_find_their_parameters_by_name(tmp_path: Path) -> None:
    stored = StoredProgram(np.array([0.25, 7.0]), addresses=("layer.2.level", "layer.9.no_longer"))
    write_program(tmp_path / "x.npz", stored)
    program = rebuild(read_program(tmp_path / "x.npz"), "schema = 1\n", tmp_path / "x.toml")
    assert program.record["base"][index_of("layer.2.level")] == 0.25


def archive(**members: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in members.items():
            file.writestr(f"{name}.npy", data)
    return buffer.getvalue()


def array(values: object, *, pickle: bool = False) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, np.array(values), allow_pickle=pickle)
    return buffer.getvalue()


NAMES = array(np.frombuffer("\n".join(ADDRESSES).encode(), np.uint8))


@pytest.mark.parametrize(
    ("members", "said"),
    [
        ({}, "damaged"),
        ({"addresses": NAMES}, "damaged"),
        ({"addresses": NAMES, "values": array([1.0])}, "have .* values"),
        ({"addresses": NAMES, "values": array([{}], pickle=True)}, "holds object"),
        ({"addresses": NAMES, "values": array(["text"])}, "holds <U4"),
        ({"addresses": NAMES, "values": array([1.0])[:-3]}, "bytes for a shape"),
        ({"addresses": NAMES, "values": array([1.0]).replace(b"(1,)", b"(9,)")}, "bytes for a shape"),
        ({"addresses": NAMES, "values": bytes(80 << 20)}, "would take 80 MiB"),
        ({"addresses": NAMES, "values": array(np.zeros(len(ADDRESSES))), "evil": array([1.0])}, "damaged"),
    ],
)
def test_a_file_made_to_do_harm_is_refused(members: dict[str, bytes], said: str, tmp_path: Path) -> None:
    (tmp_path / "x.npz").write_bytes(archive(**members))
    with pytest.raises(TakeError, match=said):
        read_program(tmp_path / "x.npz")


@pytest.mark.parametrize(
    "line",
    [
        np.full((1, 4, 3), np.nan),
        np.zeros((0, 4, 3)),
        np.zeros((4, 2)),
        np.zeros(12),
    ],
)
def test_a_line_that_the_engine_could_not_play_is_refused(
    line: np.ndarray[tuple[int, ...], np.dtype[np.float64]], tmp_path: Path
) -> None:
    text = 'schema = 1\n[[layer]]\n[layer.source]\nkind = "path"\npoints = [[0, 0], [1, 1]]\n'
    stored = StoredProgram(np.zeros(len(ADDRESSES)), {0: line})
    with pytest.raises(TakeError, match="do not go with it"):
        rebuild(stored, text, tmp_path / "x.toml")


def test_a_drawing_whose_line_is_missing_is_named(tmp_path: Path) -> None:
    text = 'schema = 1\n[[layer]]\n[layer.source]\nkind = "path"\ndrawing = "rope.obj"\n'
    with pytest.raises(TakeError, match="layer 1 draws a line that the take does not hold"):
        rebuild(StoredProgram(np.zeros(len(ADDRESSES))), text, tmp_path / "x.toml")


def test_eased_jumps_come_back_and_lines_of_earlier_takes_have_none(tmp_path: Path) -> None:
    text = 'schema = 1\n[[layer]]\n[layer.source]\nkind = "path"\ndrawing = "rope.obj"\njump_samples = 3\n'
    line = np.random.default_rng(1).uniform(-1, 1, (2, 9, 3))
    leaps = np.zeros((2, 9), bool)
    leaps[0, 3] = leaps[1, 5] = leaps[1, 8] = True
    engine = Engine(48000.0)
    stored = StoredProgram(np.zeros(len(ADDRESSES)), {0: line}, {0: leaps})
    program = rebuild(stored, text, tmp_path / "x.toml")
    slot = engine.load(program)
    copied = copy_program(engine.record, slot)
    np.testing.assert_array_equal(copied.leaps[0], leaps)
    assert copied.identity == identity_of(program)
    write_program(tmp_path / "x.npz", copied)
    np.testing.assert_array_equal(read_program(tmp_path / "x.npz").leaps[0], leaps)
    assert rebuild(StoredProgram(np.zeros(len(ADDRESSES)), {0: line}), text, tmp_path / "x.toml").jumps == {}


@given(data=st.binary(max_size=100), at=st.integers(0, 3000))
def test_no_bytes_are_worse_than_a_plain_error(data: bytes, at: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    good = archive(addresses=NAMES, values=array(np.zeros(len(ADDRESSES))))
    path = tmp_path_factory.mktemp("program") / "x.npz"
    path.write_bytes(good[:at] + data + good[at + len(data) :])
    with suppress(TakeError):
        read_program(path)


def changed(program: Program, what: str) -> None:
    """Change one thing that an identity must show."""
    if what == "value":
        program.set("layer.1.level", 0.25)
    elif what == "table":
        program.tables[0] = program.tables[0] * 0.5
    elif what == "term":
        program.terms[0, 0] = program.terms[0, 0] + 1e-12
    elif what == "line":
        program.paths[1] = program.paths[1] + 1e-12
    elif what == "formula":
        program.record["code"]["operation"][0] += 1
    elif what == "constant":
        program.record["constants"][0] += 1e-12
    elif what == "snapshot":
        program.record["snapshot_values"]["value"][0] += 1e-12
    elif what == "control":
        program.record["controls"]["hi"][0] += 1e-12


def full_program() -> Program:
    """A program that refers to every kind of table."""
    program = new_program()
    terms = np.column_stack([np.arange(1, 13), np.arange(1, 13), np.zeros(12)]).astype(float) / 12
    program.draw_harmonic(0, (terms, terms[:2], np.zeros((0, 3))))
    program.draw_path(1, np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0]]))
    program.draw_formula(2, (compile_formula("sin(3 * t) + 0.5"),))
    program.modulate_by_curve(0, np.array([[0.0, 0.0, 0.0], [1.0, 1.0, 0.0]]))
    program.modulate_by_steps(1, np.array([[0.5, 0.0, 1.0, 1.0]]))
    program.modulate_by_gesture(2, np.array([0.0, 1.0]))
    program.add_snapshot({"layer.1.level": 0.5})
    return program


WHAT = ("value", "table", "term", "line", "formula", "constant", "snapshot", "control")


def test_the_identity_is_the_same_before_and_after_loading_and_shows_every_change() -> None:
    engine = Engine(48_000)
    seen = {}
    for what in ("", *WHAT):
        program = full_program()
        changed(program, what)
        seen[what] = identity_of(program)
        engine.load(full_program())  # so that tables lie elsewhere each time
        assert identity_in(engine.record, engine.load(program)) == seen[what]
    assert len(set(seen.values())) == len(WHAT) + 1
