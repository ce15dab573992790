"""Files come from strangers: no code of the package can run what they hold, ask a shell, or reach a network."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted((ROOT / "instrument").rglob("*.py"))

FORBIDDEN_IMPORTS = {
    "pickle", "cPickle", "dill", "cloudpickle", "joblib", "shelve", "marshal", "code", "codeop", "runpy", "pty",
    "socket", "socketserver", "ssl", "http", "urllib", "urllib3", "requests", "httpx", "aiohttp", "ftplib", "smtplib",
    "poplib", "imaplib", "telnetlib", "xmlrpc", "webbrowser", "yaml",
}  # fmt: skip

UNQUOTE = "unquote alone, which turns %20 into a blank in the name of a file"
ALLOWED_IMPORTS = {
    ("instrument/drawings/readers/file_contents.py", "urllib"): UNQUOTE,
    ("instrument/patch/patch_drawings.py", "urllib"): UNQUOTE,
}

FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "breakpoint"}

FORBIDDEN_PARTS = {
    "os": {"system", "popen", "execv", "execve", "execvp", "execl", "spawnv", "spawnl", "startfile"},
    "subprocess": {"getoutput", "getstatusoutput"},
}

PICKLED = {
    "instrument/repertoire/patch_worker.py": "programs go from a process of ours to another through an anonymous pipe",
}
"""Where multiprocessing may pass objects, which it pickles."""


def imports(tree: ast.AST) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names.update(alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module.partition(".")[0])
    return names


def calls(tree: ast.AST) -> list[tuple[int, str]]:
    """Calls of what runs text, and commands that go through a shell, with their lines."""
    found: list[tuple[int, str]] = []
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        function = node.func
        if isinstance(function, ast.Name) and function.id in FORBIDDEN_CALLS:
            found.append((node.lineno, function.id))
        if isinstance(function, ast.Attribute) and isinstance(function.value, ast.Name):
            name = function.value.id
            found += [(node.lineno, f"{name}.{function.attr}")] * (function.attr in FORBIDDEN_PARTS.get(name, ()))
        for word in node.keywords:
            on = not (isinstance(word.value, ast.Constant) and word.value.value is False)
            if word.arg in {"shell", "allow_pickle"} and on:
                found.append((node.lineno, str(word.arg)))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_nothing_unpickles_evaluates_asks_a_shell_or_reaches_a_network(path: Path) -> None:
    name = path.relative_to(ROOT).as_posix()
    tree = ast.parse(path.read_text())
    assert {word for word in imports(tree) & FORBIDDEN_IMPORTS if (name, word) not in ALLOWED_IMPORTS} == set()
    assert calls(tree) == []
    passes = "multiprocessing" in imports(tree) and name != "instrument/engine/memory/allocation.py"
    assert passes == (name in PICKLED)


@pytest.mark.parametrize(
    "text",
    [
        "import pickle",
        "from urllib.request import urlopen",
        "eval(text)",
        "os.system(text)",
        "subprocess.run(text, shell=True)",
        "np.load(path, allow_pickle=True)",
    ],
)
def test_the_search_finds_what_it_looks_for(text: str) -> None:
    tree = ast.parse(text)
    assert imports(tree) & FORBIDDEN_IMPORTS or calls(tree)


def test_every_test_that_the_threat_table_names_is_there() -> None:
    table = (ROOT / "DEVELOPERS.md").read_text().partition("## Files from strangers")[2].partition("\n## ")[0]
    named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", table)
    assert len(named) >= 10
    for file, test in named:
        assert (f"def {test}" if test else "") in (ROOT / file).read_text(), (file, test)
