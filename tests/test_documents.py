"""What the documents show is true: the patches in them play, and the commands in them do what they say."""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.main import get_command

from instrument.beam.look import SETTINGS, read_look
from instrument.beam.phosphor import TYPES
from instrument.cli.main import app
from instrument.patch.build import build_program
from instrument.patch.controller_file import controller_from_text
from instrument.patch.patch_file import load_patch, patch_from_text
from tests.commands import beamhand
from tests.takes.playing import studio
from tools.factory.make_guide import COUPLING, FOLDER, coupling, picture
from tools.factory.make_stills import alike

ROOT = Path(__file__).resolve().parents[1]
SCREEN = (FOLDER / "screen.md").read_text(encoding="utf-8")
DOCUMENTS = [ROOT / "README.md", ROOT / "patches" / "README.md", *sorted(FOLDER.glob("*.md"))]
CHAPTERS = [path for path in DOCUMENTS if path.parent == FOLDER and path.name != "README.md"]
PATCHES = [
    pytest.param(text, id=f"{path.stem} {number}")
    for path in DOCUMENTS
    for number, text in enumerate(re.findall(r"```toml[^\n]*\n(.*?)```", path.read_text(encoding="utf-8"), re.DOTALL))
    if "schema = 1" in text and "drawing =" not in text
]
LONG = {"play", "bench", "ports", "calibrate"}
"""Commands with tests of their own, of which the words alone are tried here."""

SMALL, SHORT = ["--size", "64"], ["--seconds", "0.1"]
"""What is said last counts: pictures are small here, and sounds short; takes have their own length."""


def blocks(path: Path, kind: str) -> list[tuple[str, str]]:
    """Blocks of a kind, with the name of the file that each is to be saved as."""
    text = path.read_text(encoding="utf-8")
    return re.findall(rf"```{kind}[ ]?(.*?)\n(.*?)```", text, re.DOTALL)


def commands(path: Path) -> list[str]:
    return re.findall(r"^beamhand .*$", path.read_text(encoding="utf-8"), re.MULTILINE)


def understood(words: list[str]) -> None:
    """Let the words of a command be read, and the files be there that it names."""
    command = get_command(app).get_command(None, words[0])  # type: ignore[attr-defined]
    command.make_context(words[0], words[1:])
    for word in words[1:]:
        assert Path(word).suffix not in {".toml", ".mid"} or Path(word).exists(), word


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take of a moment."""
    with studio(tmp_path_factory.mktemp("takes")) as playing:
        playing.load("buoy")
        recorded = playing.begin()
        playing.play(9600)
        playing.stop()
    return recorded


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: f"{path.parent.name} {path.stem}")
def test_the_commands_of_a_document_work_one_after_another(
    path: Path, take: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("patches").symlink_to(ROOT / "patches")
    Path("takes").mkdir()
    Path("takes", "TAKE").symlink_to(take)
    for kind in ("toml", "xml"):
        for name, text in blocks(path, kind):
            if name:
                Path(name).write_text(text, encoding="utf-8")
    for line in commands(path):
        words = re.sub(r'"([^"]*) ([^"]*)"', r"\1\2", line).split()[1:]
        if words[0] in LONG:
            understood(words)
            continue
        if "mine.toml" in words and not Path("mine.toml").exists() and "new" not in words:
            assert beamhand("patch", "new", "mine.toml").returncode == 0
        if words[0] == "render":
            words += SMALL if words[1].startswith("takes/") else SMALL + SHORT
        run = beamhand(*words)
        assert run.returncode == 0, f"{line}\n{run.stderr}"


@pytest.mark.parametrize(
    "code",
    [
        pytest.param(code, id=f"{path.stem} {number}")
        for path in DOCUMENTS
        for number, (_, code) in enumerate(blocks(path, "python"))
    ],
)
def test_the_python_of_a_document_runs_by_itself(code: str, tmp_path: Path) -> None:
    (tmp_path / "patches").symlink_to(ROOT / "patches")
    command = [sys.executable, "-W", "error", "-c", code]
    run = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=300)
    assert run.returncode == 0, run.stderr


def test_every_chapter_has_its_commands_and_its_place_in_the_guide() -> None:
    contents = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert sum(len(commands(path)) for path in DOCUMENTS) >= 40
    for path in CHAPTERS:
        assert f"]({path.name})" in contents
        assert commands(path) or path.stem == "glossary"


@pytest.mark.parametrize("text", PATCHES)
def test_a_patch_in_a_document_builds(text: str) -> None:
    if "[[layer]]" not in text:
        assert controller_from_text(text, "guide.toml").control
        return
    program = build_program(patch_from_text(text, ROOT / "patches" / "guide.toml"))
    assert program.record["layers"]["source"].any()


def test_each_step_of_the_guide_looks_as_its_still() -> None:
    steps = sorted(FOLDER.glob("*.toml"))
    assert [load_patch(path).title[0] for path in steps] == list("123456")
    made = {path.with_suffix(".png").name: picture(path) for path in steps}
    for name, pixels in {**made, COUPLING: coupling()}.items():
        assert alike(pixels, np.asarray(Image.open(FOLDER / name).convert("RGB"))), name


def test_the_look_in_the_guide_is_understood(tmp_path: Path) -> None:
    (text,) = [text for _, text in blocks(FOLDER / "screen.md", "toml") if "[phosphor]" in text]
    path = tmp_path / "dusk.toml"
    path.write_text(text, encoding="utf-8")
    assert read_look(path).phosphor.name == "dusk"


def test_the_guide_describes_every_setting_of_a_look_and_every_phosphor() -> None:
    part = SCREEN[SCREEN.index("| setting |") :].split("\n\n", maxsplit=1)[0]
    assert set(re.findall(r"`(\w+)`[,|\s]", part)) >= SETTINGS.keys()
    rows = dict(re.findall(r"^\| (P\d+) \| (.*)$", SCREEN, re.MULTILINE))
    assert list(rows) == list(TYPES)
    assert all(("power" in rows[name]) == any("power" in layer.law for layer in TYPES[name].layers) for name in TYPES)
