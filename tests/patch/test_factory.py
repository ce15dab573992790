"""The factory set is found wherever Beamhand runs from."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from instrument.patch.factory import factory_folder

ROOT = Path(__file__).resolve().parents[2]
ASK = (
    "import sys; sys.path.insert(0, sys.argv[1]);"
    "from instrument.patch.factory import factory_folder; sys.stdout.write(str(factory_folder()))"
)


def ask_for_folder(site: Path) -> subprocess.CompletedProcess[str]:
    """Ask a Python that sees the standard library and `site`, and nothing of this clone."""
    command = [sys.executable, "-I", "-S", "-c", ASK, str(site)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which the wheel of this clone was installed, without what it depends on."""
    wheels = tmp_path_factory.mktemp("wheels")
    site = tmp_path_factory.mktemp("site")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(wheels)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = wheels.glob("beamhand-*.whl")
    install = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index"]
    subprocess.run([*install, "--target", str(site), str(wheel)], check=True, capture_output=True)
    return site


def test_a_clone_plays_its_own_patches_folder() -> None:
    assert factory_folder() == ROOT / "patches"


def test_an_installed_wheel_finds_the_set_inside_itself(installed: Path) -> None:
    assert ask_for_folder(installed).stdout == str(installed / "instrument" / "factory")


def test_an_installed_wheel_holds_every_file_of_the_set(installed: Path) -> None:
    assert contents(installed / "instrument" / "factory") == contents(ROOT / "patches")


def test_a_damaged_installation_is_named_with_both_places_and_the_mend(
    installed: Path, tmp_path: Path
) -> None:
    damaged = tmp_path / "site"
    shutil.copytree(installed, damaged)
    shutil.rmtree(damaged / "instrument" / "factory")
    asked = ask_for_folder(damaged)
    assert asked.returncode == 1
    assert asked.stderr.splitlines()[-1] == (
        f"FileNotFoundError: The factory set is in neither {damaged / 'instrument' / 'factory'} "
        f"nor {damaged / 'patches'}. Install Beamhand again, or name a patch file."
    )
