"""The C callback as it is compiled: nothing in it can wait, allocate or raise, and no cache of it can be stale."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numba
import numpy as np
import pytest

import instrument.engine.signal.render as callback_module
from instrument.engine.compiling.compiled import cache_folder
from instrument.engine.compiling.units import ALL, DRAW, FORMULA
from instrument.engine.formulas.libm import LIBM

if TYPE_CHECKING:
    from collections.abc import Callable

PACKAGE = Path(callback_module.__file__).parents[2]

PROBE = """
import json, sys

import numpy as np

from instrument.engine.compiling.compiled import UNITS
from instrument.engine.compiling.units import compile_only

compile_only("controls")

import instrument.engine.compiling.unit_entries
from instrument.engine.memory.layout import CURVES, MESSAGES
from instrument.engine.memory.allocation import allocate
from instrument.engine.parameters import index_of
from instrument.engine.program import new_program

program = new_program()
program.record["ramp_seconds"] = 0.0
row = program.record["controls"][0]
row["message"], row["channel"], row["number"] = MESSAGES.index("cc"), -1, 7
row["param"], row["curve"] = index_of("output.offset.x"), CURVES.index("log")
row["lo"], row["hi"] = 0.0, 1.0
program.record["n_controls"] = 1
memory = allocate(48000.0)
memory.record["bank"][0:1] = program.record
memory.record["instances"]["slot"][0] = 0
entry = UNITS["beamhand_controls"]
entry.ctypes(memory.address, 0, MESSAGES.index("cc"), 0, 7, 64.0, 127.0)
print(json.dumps({
    "hits": entry.cache_hits,
    "module": sys.modules["instrument.engine.controls.grip"].__file__,
    "value": float(memory.record["instances"]["value"][0, index_of("output.offset.x")]),
}))
"""
"""One unit alone, which is quickly compiled; what it calls lies in another module."""

STEEP = re.compile(r"_LOG_STEEPNESS = 9\.0")


class Run(NamedTuple):
    """What one process made of the sources."""

    report: dict[str, Any]
    cached: dict[str, int]


class Fresh(NamedTuple):
    """One unit of a copy compiled afresh, with a constant edited, and once more without an edit."""

    first: Run
    edited: Run
    again: Run


def run_probe(folder: Path) -> Run:
    environment = {**os.environ, "XDG_CACHE_HOME": str(folder / "cache"), "PYTHONPATH": str(folder)}
    environment.pop("NUMBA_CACHE_DIR", None)
    command = [sys.executable, "-c", PROBE, str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder, env=environment)
    assert done.returncode == 0, done.stderr
    cached = {
        str(path.relative_to(folder)): path.stat().st_mtime_ns for path in sorted((folder / "cache").rglob("*.nb[ci]"))
    }
    return Run(json.loads(done.stdout), cached)


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Fresh:
    folder = tmp_path_factory.mktemp("fresh")
    shutil.copytree(PACKAGE, folder / "instrument", ignore=shutil.ignore_patterns("__pycache__"))
    first = run_probe(folder)
    sweep = folder / "instrument" / "engine" / "controls" / "grip.py"
    text, count = STEEP.subn("_LOG_STEEPNESS = 90.0", sweep.read_text())
    assert count == 1
    sweep.write_text(text)
    return Fresh(first, run_probe(folder), run_probe(folder))


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    """Return the LLVM text of the machine code in use, by entry, as it was kept when it was compiled."""
    return {path.stem: path.read_text(encoding="utf-8") for path in cache_folder().glob("*.ll")}


def functions_of(llvm: str) -> dict[str, list[str]]:
    """Return the lines of every function that is defined in LLVM text, by name."""
    found: dict[str, list[str]] = {}
    lines: list[str] | None = None
    for line in llvm.splitlines():
        if line.startswith("define"):
            name = re.search(r'@("[^"]+"|[\w.$]+)\(', line)
            assert name is not None, line
            lines = found.setdefault(name.group(1), [])
        elif line == "}":
            lines = None
        elif lines is not None:
            lines.append(line)
    return found


HARMLESS = {"null", "undef", "poison"}


def handed_on(lines: list[str]) -> set[str]:
    """Return the values of a function that can only be what callees left for it at an %excinfo."""
    found: set[str] = set()
    while True:
        before = len(found)
        for line in lines:
            if load := re.match(r"\s*(%[\w.]+) = load ptr, ptr %excinfo", line):
                found.add(load.group(1))
            elif choice := re.match(r"\s*(%[\w.]+) = (?:select i1 [^,]+,|phi ptr) (.*)", line):
                values = re.findall(r"(?:ptr|\[) ([%@]?[\w.]+)", choice.group(2))
                if set(values) <= found | HARMLESS:
                    found.add(choice.group(1))
        if len(found) == before:
            return found


def called_outside(llvm: str) -> set[str]:
    """Return the functions called that are neither defined in the text nor the processor's own."""
    defined = functions_of(llvm)
    called = {
        name
        for lines in defined.values()
        for line in lines
        for name in re.findall(r'(?:call|invoke)\b[^@]*@("[^"]+"|[\w.$]+)\(', line)
    }
    return {name for name in called - set(defined) if not name.startswith("llvm.")}


def called_by_pointer(llvm: str) -> list[str]:
    lines = [line for body in functions_of(llvm).values() for line in body]
    return [line for line in lines if re.search(r"\b(?:call|invoke)\b[^@(]*%[\w.]+\(", line)]


def forbidden_names(llvm: str) -> list[str]:
    text = re.sub(r"@_ZN\S+", "", llvm)
    names = r"NRT_\w*|Py[A-Z_]\w*|numba_gil\w*|numba_unpickle\w*|[\w.]*picklebuf[\w.]*|malloc|calloc"
    return re.findall(rf"(?<![A-Za-z])(?:{names})", text)


def own_errors(llvm: str) -> list[str]:
    """Return the places where a function leaves an exception of its own making at an %excinfo."""
    found = []
    for lines in functions_of(llvm).values():
        allowed = handed_on(lines) | {"null"}
        stored = [(line, m.group(1)) for line in lines if (m := re.match(r"\s*store ptr (.+), ptr %excinfo", line))]
        found += [line for line, value in stored if value not in allowed]
    return found


def own_statuses(llvm: str) -> list[str]:
    """Return the places where a function returns another status than 0 or a callee's."""
    found = []
    for name, lines in functions_of(llvm).items():
        if name.startswith("cfunc"):
            continue  # returns what C is given, not a status
        returned = {m.group(1) for line in lines if (m := re.match(r"\s*ret i32 (\S+)", line))}
        found += [name for value in returned if not value.startswith("%") and value != "0"]
        for line in lines:
            made = re.match(r"\s*(%[\w.]+) = (?:phi i32|select i1 [^,]+,) (.*)", line)
            if made and made.group(1) in returned:
                constants = re.findall(r"(?:i32|\[) (-?\d+)\b", made.group(2))
                found += [line for constant in constants if constant != "0"]
    return found


@numba.njit  # type: ignore[untyped-decorator]
def _raise_for_less_than_none(x: float) -> float:
    if x < 0.0:
        raise ValueError("careless")
    return x


@numba.njit  # type: ignore[untyped-decorator]
def _divide_carelessly(x: float) -> float:
    return 1.0 / x


@numba.njit  # type: ignore[untyped-decorator]
def _allocate(x: float) -> float:
    return float(np.full(int(x), x).sum())


def llvm_of(careless: Callable[[float], float]) -> str:
    @numba.cfunc("float64(float64)")  # type: ignore[untyped-decorator]
    def callback(x: float) -> float:
        return careless(x)

    return str(callback.inspect_llvm())


@pytest.mark.parametrize("careless", [_raise_for_less_than_none, _divide_carelessly])
def test_these_checks_see_code_that_may_raise(careless: Callable[[float], float]) -> None:
    text = llvm_of(careless)
    assert called_outside(text) & {"PyErr_WriteUnraisable", "numba_gil_ensure"}
    assert forbidden_names(text)
    assert own_errors(text)
    assert own_statuses(text)


def test_these_checks_see_code_that_allocates() -> None:
    assert any(name.startswith("NRT_MemInfo_alloc") for name in called_outside(llvm_of(_allocate)))


def test_the_text_under_test_is_the_whole_callback(texts: dict[str, str]) -> None:
    # What stands between a device and the engine is compiled where it is first used, which may have been here.
    assert set(texts) - {"outlet", "correction", "gate"} == {"stream", "push", *(unit.name for unit in ALL.values())}
    defined = [name for text in texts.values() for name in functions_of(text)]
    for part in (
        "run_block",
        "run_lfo",
        "run_pen",
        "run_source",
        "run_place",
        "run_output",
        "run_formula",
        "apply_midi",
    ):
        assert any(part in name for name in defined), part


def test_it_calls_nothing_but_itself_the_processor_and_the_clock(texts: dict[str, str]) -> None:
    # pow and log10 are libm's, for the curves of controls; they neither wait nor allocate.
    units = {unit.name for unit in ALL.values()}
    # Roots are an instruction of the processor, which text for it names as libm's function.
    # Formulas call libm's pure functions, which do neither, for what their vectors leave over.
    allowed = {
        "stream": {"beamhand_clock", "pow", "log10"},
        "outlet": {"beamhand_stream", "beamhand_correct"},
        "gate": {"beamhand_stream", "beamhand_feed"},
        DRAW.name: {"sqrt"},
        FORMULA.name: set(LIBM),
    }
    for name, text in texts.items():
        assert called_by_pointer(text) == []
        assert called_outside(text) <= units | allowed.get(name, set())


def test_it_allocates_nothing_and_knows_no_python(texts: dict[str, str]) -> None:
    for text in texts.values():
        assert forbidden_names(text) == []


def test_it_reports_no_error(texts: dict[str, str]) -> None:
    # Numba's functions return a status and leave the exception at %excinfo. Ours only ever hand on what
    # a callee left there, and no callee leaves anything but null.
    for text in texts.values():
        assert own_errors(text) == []
        assert own_statuses(text) == []


def test_a_changed_constant_in_another_module_is_heard_at_once(fresh: Fresh) -> None:
    place = 64 / 127
    assert fresh.first.report["value"] == pytest.approx(np.log10(1 + 9 * place))
    assert fresh.edited.report["value"] == pytest.approx(np.log10(1 + 90 * place))


def test_both_compilations_were_of_the_copy_and_from_nothing(fresh: Fresh) -> None:
    for run in (fresh.first, fresh.edited):
        assert run.report["hits"] == 0
        assert Path(run.report["module"]).parents[3] != PACKAGE.parent
    assert set(fresh.first.cached) < set(fresh.edited.cached)
    folders = {Path(name).parts[2] for name in fresh.edited.cached}
    assert len(folders) == 2


def test_without_an_edit_the_machine_code_comes_from_the_cache(fresh: Fresh) -> None:
    assert fresh.again.report == {**fresh.edited.report, "hits": 1}
    assert fresh.again.cached == fresh.edited.cached
