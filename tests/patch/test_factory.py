"""The factory set is found wherever Beamhand runs from."""

import os
import shutil
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest
from numba.core.caching import _CacheLocator

from instrument import __version__
from instrument.common.compiled_loops import kernels_folder
from instrument.engine.compiling.compiled import cache_folder
from instrument.engine.compiling.warm import mark_of
from instrument.patch.factory import by_name, factory_folder

ROOT = Path(__file__).resolve().parents[2]
ASK = (
    "import sys; sys.path.insert(0, sys.argv[1]);"
    "from instrument.patch.factory import factory_folder; sys.stdout.write(str(factory_folder()))"
)

RUN = """
import runpy, sys, instrument
print(instrument.__file__, instrument.__version__, flush=True)
del sys.argv[0]
runpy.run_path(sys.argv[0], run_name="__main__")
"""
"""Runs a command's script and says whose code it is."""


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


def machine_code(site: Path, cache: Path) -> None:
    """Give an installation the machine code of this clone, whose sources it shares to the byte, and its routed drawings.

    Both take a minute to make. Numba keeps it by the path of the sources' folder, and asks for their time. Where it does not take what is given
    here, it compiles, and the tests are slow but right.
    """
    ours, theirs = cache_folder(), cache / "beamhand" / cache_folder().name
    if (ours.parent / "drawings").is_dir():
        shutil.copytree(ours.parent / "drawings", theirs.parent / "drawings")
    for path in (site / "instrument").rglob("*.py"):
        twin = ROOT / path.relative_to(site)
        os.utime(path, ns=(twin.stat().st_atime_ns, twin.stat().st_mtime_ns))
    for room in {path.parent for path in (site / "instrument").rglob("*.py")}:
        twin = ROOT / room.relative_to(site)
        for place in (ours, kernels_folder()):
            kept = place / _CacheLocator.get_suitable_cache_subpath(str(twin / "x.py"))
            if kept.is_dir():
                subpath = _CacheLocator.get_suitable_cache_subpath(str(room / "x.py"))
                shutil.copytree(kept, theirs.parent / place.name / subpath)
    (theirs / mark_of(site / "instrument" / "engine").name).touch()


def test_the_installed_command_plays_and_renders_its_own_set(installed: Path, tmp_path: Path) -> None:
    # Ahead of everything else, as in an environment of its own; what the wheel needs is the one thing borrowed.
    environment = {**os.environ, "PYTHONPATH": str(installed), "PYTHONSAFEPATH": "1"}
    environment["XDG_CACHE_HOME"] = str(tmp_path / "cache")
    machine_code(installed, tmp_path / "cache")

    command = [sys.executable, "-c", RUN, str(installed / "bin" / "beamhand")]

    def beamhand(*words: str) -> str:
        run = subprocess.run(
            [*command, *words], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
        )
        assert run.returncode == 0, run.stderr
        assert run.stdout.split() == [str(installed / "instrument" / "__init__.py"), __version__]
        return run.stderr

    assert "playing Circle" in beamhand("play", "--audio", "off", "--no-window", "--seconds", "0")
    beamhand("render", "knot", "-o", "knot.wav", "--seconds", "0.1")
    assert (tmp_path / "knot.wav").stat().st_size > 4800 * 8


def test_machine_code_counts_for_the_very_folder_that_it_was_made_of(installed: Path) -> None:
    engine = installed / "instrument" / "engine"
    before = mark_of(engine)
    assert before != mark_of(ROOT / "instrument" / "engine")
    os.utime(engine / "signal" / "mix.py", (1, 1))
    assert mark_of(engine) != before


def test_the_wheel_carries_its_licence_and_its_version(installed: Path) -> None:
    facts = installed / f"beamhand-{__version__}.dist-info"
    assert "\nLicense-Expression: ISC\n" in (facts / "METADATA").read_text()
    (licence,) = (facts / "licenses").rglob("LICENSE")
    assert licence.read_bytes() == (ROOT / "instrument" / "LICENSE").read_bytes()


def test_the_source_distribution_holds_the_repository(tmp_path: Path) -> None:
    build = [sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", str(tmp_path)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    with tarfile.open(tmp_path / f"beamhand-{__version__}.tar.gz") as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    wanted = "README.md DEVELOPERS.md pyproject.toml instrument/LICENSE instrument/cli/main.py patches/knot.toml tools/play.py"
    assert set(wanted.split()) <= names


def test_a_file_of_ones_own_wins_over_the_name_of_a_factory_patch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert by_name(Path("knot")) == factory_folder() / "knot.toml"
    assert by_name(Path("knot.toml")) == Path("knot.toml")
    Path("knot").mkdir()
    assert by_name(Path("knot")) == Path("knot")


def test_a_damaged_installation_is_named_with_both_places_and_the_mend(installed: Path, tmp_path: Path) -> None:
    damaged = tmp_path / "site"
    shutil.copytree(installed, damaged)
    shutil.rmtree(damaged / "instrument" / "factory")
    asked = ask_for_folder(damaged)
    assert asked.returncode == 1
    assert asked.stderr.splitlines()[-1] == (
        f"FileNotFoundError: The factory set is in neither {damaged / 'instrument' / 'factory'} "
        f"nor {damaged / 'patches'}. Install Beamhand again, or name a patch file."
    )
