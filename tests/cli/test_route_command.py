"""`beamhand route` tells what a drawing costs as one line, for people, for programs, and as a picture."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PIL import Image

from tests.commands import Run, beamhand

if TYPE_CHECKING:
    from pathlib import Path

PROMISED = {
    "edges", "vertices", "components", "odd_vertices", "length", "repeated_length", "lower_bound", "jump_length",
    "corners", "seconds", "warnings",
}  # fmt: skip

# A cube of side 1, as twelve lines.
CUBE = "".join(f"v {k & 1} {k >> 1 & 1} {k >> 2}\n" for k in range(8)) + "".join(
    f"l {k + 1} {(k ^ bit) + 1}\n" for k in range(8) for bit in (1, 2, 4) if k < k ^ bit
)
# A roof: two faces that meet at an angle of 90 degrees, and a flat one cut in two by a diagonal.
ROOF = "v 0 0 0\nv 2 0 0\nv 2 1 1\nv 0 1 1\nv 2 2 0\nv 0 2 0\nf 1 2 3\nf 1 3 4\nf 4 3 5 6\n"


def route(*arguments: str | Path) -> Run:
    return beamhand("route", *arguments)


def reports(run: Run) -> list[dict[str, Any]]:
    return [json.loads(line) for line in run.stdout.splitlines()]


@pytest.fixture
def cube(tmp_path: Path) -> Path:
    path = tmp_path / "cube.obj"
    path.write_text(CUBE)
    return path


def test_a_cubes_figures_are_the_known_ones(cube: Path) -> None:
    # A closed route over a cube repeats 4 of its 12 edges: its 8 corners are odd, and an edge mends two.
    run = route(cube, "--json", "--jump-cost", "inf")
    assert run.returncode == 0, run.stderr
    (found,) = reports(run)
    assert found.keys() >= PROMISED | {"file"}
    counts = [found[name] for name in ("edges", "vertices", "components", "odd_vertices", "corners")]
    assert counts == [12, 8, 1, 8, 16]
    lengths = [found[name] for name in ("length", "repeated_length", "lower_bound", "jump_length")]
    assert lengths == pytest.approx([12, 4, 4, 0])
    assert found["seconds"] > 0
    assert (found["file"], found["warnings"]) == (str(cube), [])


def test_jumps_take_the_place_of_repetition_where_they_cost_less(cube: Path) -> None:
    (found,) = reports(route(cube, "--json", "--jump-cost", "0.5"))
    assert found["repeated_length"] == 0
    assert found["jump_length"] == pytest.approx(4)
    assert found["lower_bound"] == pytest.approx(4)


def test_feature_edges_leave_out_what_is_flat(tmp_path: Path) -> None:
    (tmp_path / "roof.obj").write_text(ROOF)
    counts = {
        words: reports(route(tmp_path / "roof.obj", "--json", *words.split()))[0]["edges"]
        for words in ("--edges all", "--edges feature", "--edges feature --crease 91")
    }
    # All 8; without the diagonal 7; a crease of 91 degrees leaves the border of 6.
    assert counts == {"--edges all": 8, "--edges feature": 7, "--edges feature --crease 91": 6}


def test_of_many_drawings_each_has_its_line_and_one_refusal_fails_the_whole(cube: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.obj"
    bad.write_text("v 0 0 0\nv 1 zwei 0\nl 1 2\n")
    run = route(cube, bad, tmp_path / "gone.svg", cube, "--json")
    assert run.returncode == 1
    found = reports(run)
    assert [report["file"] for report in found] == [
        str(cube),
        str(bad),
        str(tmp_path / "gone.svg"),
        str(cube),
    ]
    assert ["error" in report for report in found] == [False, True, True, False]
    assert found[1]["error"].startswith("bad.obj:2: ")
    assert found[2]["error"] == "gone.svg: there is no such file"
    assert "beamhand: bad.obj:2: " in run.stderr
    assert "Traceback" not in run.stderr


def test_in_words_the_figures_stand_on_standard_output_and_refusals_do_not(cube: Path, tmp_path: Path) -> None:
    run = route(cube, tmp_path / "gone.svg", "--jump-cost", "inf")
    assert run.returncode == 1
    assert run.stdout.startswith(f"{cube}: 12 edges, 8 vertices (8 odd), 1 pieces, 16 corners\n")
    assert "drawn again 4 (33.3 %); least by retracing alone 4\n" in run.stdout
    assert "legible up to 3000 Hz at 48000 samples a second" in run.stdout
    assert run.stderr == "beamhand: gone.svg: there is no such file\n"


def test_a_numbered_folder_is_one_flip_book(tmp_path: Path) -> None:
    (tmp_path / "flight").mkdir()
    for number in (1, 2, 3):
        (tmp_path / "flight" / f"moth_{number}.obj").write_text(CUBE)
    (found,) = reports(route(tmp_path / "flight", "--json"))
    assert (found["frames"], found["edges"]) == (3, 36)


def test_the_picture_shows_the_drawing(cube: Path, tmp_path: Path) -> None:
    out = tmp_path / "cube.png"
    assert route(cube, "-o", out).returncode == 0
    with Image.open(out) as picture:
        pixels = np.asarray(picture.convert("L"))
    assert pixels.shape == (1000, 1000)
    assert 0.005 < (pixels < 200).mean() < 0.5


def test_a_report_holds_what_json_prints(cube: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.json"
    run = route(cube, tmp_path / "gone.svg", "-o", out, "--json")
    assert out.read_text() == run.stdout


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["cube.obj", "--edges", "some"],
        ["cube.obj", "--crease", "181"],
        ["cube.obj", "--crease", "nan"],
        ["cube.obj", "--jump-cost", "-1"],
        ["cube.obj", "--jump-cost", "nan"],
        ["cube.obj", "-o", "cube.gif"],
        ["cube.obj", "cube.obj", "-o", "cube.png"],
    ],
)
def test_wrong_usage_ends_with_2(cube: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str]) -> None:
    monkeypatch.chdir(cube.parent)
    run = route(*arguments)
    assert run.returncode == 2, run.stderr
    assert "Traceback" not in run.stderr


def test_a_picture_that_cannot_be_written_is_one_sentence(cube: Path, tmp_path: Path) -> None:
    run = route(cube, "-o", tmp_path / "no such folder" / "cube.png")
    assert run.returncode == 1
    assert "Traceback" not in run.stderr
    assert "no such folder" in run.stderr


def test_a_terminal_sees_the_stages_pass(cube: Path) -> None:
    pty = pytest.importorskip("pty", reason="pseudo-terminals are POSIX")
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "instrument.cli", "route", str(cube), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=theirs) as process:
        os.close(theirs)
        seen = b""
        try:
            while block := os.read(ours, 4096):
                seen += block
        except OSError:
            pass  # how Linux tells that the other side is closed
        os.close(ours)
        out = process.communicate()[0]
    assert process.returncode == 0
    assert json.loads(out)["edges"] == 12
    assert b"start" in seen
    assert b"%" in seen


NET = "".join(f"v {x} {y} {0.1 * ((x * y) % 3)}\n" for y in range(20) for x in range(20)) + "".join(
    f"f {k} {k + 1} {k + 21} {k + 20}\n" for y in range(19) for x in range(19) for k in [20 * y + x + 1]
)


def test_fitted_to_a_pitch_it_says_and_shows_what_was_left_out(tmp_path: Path) -> None:
    net = tmp_path / "net.obj"
    net.write_text(NET)
    run = route(net, "--pitch", "200", "--rate", "48000", "-o", tmp_path / "net.png")
    assert run.returncode == 0, run.stderr
    assert "left out: " in run.stdout
    assert "of 722 triangles" in run.stdout
    # Grey is the colour of what is missing.
    picture = np.asarray(Image.open(tmp_path / "net.png").convert("RGB")).reshape(-1, 3)
    assert (picture == 0xC8).all(axis=1).any()
    (found,) = reports(route(net, "--points", "240", "--json"))
    assert found["points"] <= 240
    assert len(found["left_out"]) == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--points", "0"), "above 0"),
        (("--pitch", "nan"), "above 0"),
        (("--points", "9", "--pitch", "9"), "not both"),
    ],
)
def test_a_budget_that_means_nothing_is_refused(cube: Path, arguments: tuple[str, ...], said: str) -> None:
    run = route(cube, *arguments)
    assert run.returncode == 2
    assert said in run.stderr
