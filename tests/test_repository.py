"""The repository keeps its own rules."""

import ast
import re
import subprocess
import tomllib
from collections import Counter
from graphlib import TopologicalSorter
from itertools import pairwise
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "instrument"
MODULES = sorted(PACKAGE.rglob("*.py"))

# The rooms that each room may import. A room that is not here imports nothing, and has to be written down first.
MAY_IMPORT = {
    "common": set(),
    "engine": {"common"},
    "drawings": {"common"},
    "beam": {"common"},
    "measure": {"common", "engine", "beam"},
    "patch": {"common", "engine", "drawings"},
    "midi": {"common", "engine", "patch"},
    "audio": {"common", "engine", "patch", "midi"},
    "takes": {"common", "engine", "patch"},
    "export": {"common", "engine", "patch", "midi", "beam", "takes"},
    "repertoire": {"common", "engine", "patch", "midi"},
    "workbench": {"common", "engine", "patch", "midi", "drawings", "takes", "export", "repertoire"},
    "show": {"common", "engine", "patch", "midi", "audio", "takes", "repertoire", "workbench"},
    "window": {"common", "engine", "patch", "beam", "measure"},
    "cli": {"common", "engine", "patch", "midi", "audio", "drawings", "takes", "export", "measure", "show"},
    "api": {"engine", "patch", "midi", "drawings", "beam", "export", "measure"},
}

# Who may print, and why.
MAY_PRINT = {
    "instrument/cli/messages.py": "through it all commands speak to the person who typed them",
    "instrument/engine/compiling/warm.py": "run by itself before the first start, to show how the compilation goes",
}

MOST_LINES = 450

# A noun or a verb first: a reader looks along the beginnings of sentences.
ASKING = re.compile(r"(What|Who|Whoever|Whose|Where|Wherever|How|When)\b")

# Written with brackets so that this file does not contain what it looks for.
FORBIDDEN = {
    "a path of one machine": r"(?<![\w.-])/(?:w[o]rk|tmp/l[a]b|r[o]ot|h[o]me/\w+)(?![\w-])",
    "how the code came about": r"(?i)\bs[e]ssions?\b|\bseed d[o]cument|\bissue\s?[#]\s?\d*",
    "work left undone": r"\bTO[D]O\b|\bFIX[M]E\b",
}
# Words of other people's interfaces that look like ours to avoid.
ALLOWED = re.compile(r"scope=\"s[e]ssion\"|pytest_s[e]ssion\w*")


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported_rooms(source: str) -> set[str]:
    """Rooms of the package that a module imports, anywhere in its text."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return {parts[1] for name in names if (parts := name.split("."))[0] == "instrument" and len(parts) > 1}


def forbidden_imports(room: str, source: str) -> set[str]:
    """Rooms that a module of `room` imports and may not."""
    return (imported_rooms(source) & MAY_IMPORT.keys()) - MAY_IMPORT[room] - {room}


def prints(source: str) -> list[int]:
    """Lines on which `print` is used as a name, called or handed on."""
    names = (node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Name))
    return sorted(node.lineno for node in names if node.id == "print")


def forbidden_words(text: str) -> list[str]:
    """Each forbidden word in a text, with its line number and why it is forbidden."""
    return [
        f"line {number}: {match.group()!r} ({why})"
        for number, line in enumerate(text.splitlines(), start=1)
        for why, pattern in FORBIDDEN.items()
        for match in re.finditer(pattern, ALLOWED.sub("", line))
    ]


def docstrings(source: str) -> list[str]:
    """Texts that describe a module, a class, a function or the name assigned before them."""
    tree = ast.parse(source)
    described = (ast.Module, ast.ClassDef, ast.FunctionDef)
    found = [ast.get_docstring(node) or "" for node in ast.walk(tree) if isinstance(node, described)]
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef):
            found += [
                after.value.value
                for before, after in pairwise(node.body)
                if isinstance(before, ast.Assign | ast.AnnAssign)
                and isinstance(after, ast.Expr)
                and isinstance(after.value, ast.Constant)
                and isinstance(after.value.value, str)
            ]
    return found


def repository_files() -> list[Path]:
    """Everything under version control or about to be; everything unpacked, where git is not at hand."""
    listing = [
        "git",
        "-c",
        "safe.directory=*",
        "ls-files",
        "-z",
        "--cached",
        "--others",
        "--exclude-standard",
    ]
    try:
        listed = subprocess.run(listing, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    except (FileNotFoundError, subprocess.CalledProcessError):
        visible = (p for p in ROOT.rglob("*") if not re.search(r"/\.(?!ci\b)|/__pycache__/", f"/{p.relative_to(ROOT)}"))
        return sorted(path for path in visible if path.is_file())
    return [ROOT / name for name in listed.split("\0") if name and (ROOT / name).is_file()]


def normal(name: str) -> str:
    """A distribution's name as package indexes compare it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def requirements() -> list[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"].values()
    return [*project["dependencies"], *(line for extra in extras for line in extra)]


def described_dependencies() -> list[str]:
    """Names at the start of the bullets of instrument/DEPENDENCIES.md."""
    text = (PACKAGE / "DEPENDENCIES.md").read_text()
    return re.findall(r"^- `([\w.-]+)`: \S", text, re.MULTILINE)


class TestImports:
    @pytest.mark.parametrize("path", MODULES, ids=module_name)
    def test_a_room_imports_what_it_may(self, path: Path) -> None:
        room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if room == "__init__":
            assert imported_rooms(path.read_text()) == set()
            return
        assert room in MAY_IMPORT, f"{room} may import nothing yet: write down what, in {Path(__file__).name}"
        assert forbidden_imports(room, path.read_text()) == set()

    def test_no_room_can_reach_itself_through_others(self) -> None:
        assert list(TopologicalSorter(MAY_IMPORT).static_order())

    def test_what_a_room_may_import_is_what_it_imports(self) -> None:
        used: dict[str, set[str]] = {room: set() for room in MAY_IMPORT}
        for path in MODULES:
            room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
            if room in used:
                used[room] |= imported_rooms(path.read_text()) & MAY_IMPORT.keys() - {room}
        assert {room: may - used[room] - {"common"} for room, may in MAY_IMPORT.items()} == {
            room: set() for room in MAY_IMPORT
        }

    @pytest.mark.parametrize(
        ("room", "source", "forbidden"),
        [
            ("engine", "import instrument.patch.schema", {"patch"}),
            ("engine", "from instrument.audio import driver", {"audio"}),
            ("patch", "def f():\n    from instrument import window", {"window"}),
            ("audio", "from instrument.cli.main import main", {"cli"}),
            ("show", "from instrument.workbench.patch_edits import PatchEdits", set()),
            ("cli", "from instrument.engine.memory.layout import STATE", set()),
            ("patch", "import numpy.linalg, instrumental.stage", set()),
        ],
    )
    def test_the_check_sees_imports_of_every_form(self, room: str, source: str, forbidden: set[str]) -> None:
        assert forbidden_imports(room, source) == forbidden

    @pytest.mark.parametrize("path", sorted(PACKAGE.glob("*/**/__init__.py")), ids=module_name)
    def test_an_init_file_is_one_docstring(self, path: Path) -> None:
        (only,) = ast.parse(path.read_text()).body
        assert isinstance(only, ast.Expr)
        assert isinstance(only.value, ast.Constant)
        assert isinstance(only.value.value, str)


class TestPrint:
    @pytest.mark.parametrize("path", MODULES, ids=module_name)
    def test_only_listed_modules_print(self, path: Path) -> None:
        if str(path.relative_to(ROOT)) not in MAY_PRINT:
            assert prints(path.read_text()) == []

    def test_the_check_sees_print_called_and_handed_on(self) -> None:
        assert prints("print(1)\nlog = print\nx.print(2)\npprint(3)\n") == [1, 2]

    def test_the_other_listed_modules_are_run_by_themselves(self) -> None:
        listed = [
            path for path in MODULES if str(path.relative_to(ROOT)) in MAY_PRINT.keys() - {"instrument/cli/messages.py"}
        ]
        assert [path for path in listed if 'if __name__ == "__main__":' not in path.read_text()] == []


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_a_module_is_short_enough_to_read(path: Path) -> None:
    assert len(path.read_text().splitlines()) <= MOST_LINES


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_a_docstring_begins_with_what_it_is_about(path: Path) -> None:
    assert [text for text in docstrings(path.read_text()) if ASKING.match(text)] == []


def test_the_check_sees_docstrings_of_modules_functions_and_names() -> None:
    source = '"""What is."""\nX = 1\n"""Where."""\n\n\ndef f():\n    """How it runs."""\n'
    assert len([text for text in docstrings(source) if ASKING.match(text)]) == 3


def test_no_two_modules_of_the_package_have_one_name() -> None:
    names = Counter(path.name for path in MODULES)
    assert {name for name, count in names.items() if count > 1} == {"__init__.py", "__main__.py"}


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_a_module_starts_with_one_sentence(path: Path) -> None:
    docstring = ast.get_docstring(ast.parse(path.read_text()))
    assert docstring
    assert docstring.splitlines()[0].endswith(".")


def test_the_users_folders_are_named_after_the_instrument_alone_on_every_system() -> None:
    # Where an author is not refused, platformdirs puts a second folder of the same name around it on Windows.
    calls = [
        (str(path.relative_to(ROOT)), call)
        for path in PACKAGE.rglob("*.py")
        for call in re.findall(r"platformdirs\.\w+\(_APP[^)]*\)", path.read_text())
    ]
    assert len(calls) > 3
    assert [place for place, call in calls if "appauthor=False" not in call] == []


def test_one_module_knows_where_the_users_folders_are() -> None:
    # It also knows what stands in for them where there is no home, or none that can be written.
    asking = [path.name for path in PACKAGE.rglob("*.py") if "platformdirs." in path.read_text()]
    assert asking == ["user_folders.py"]


class TestWords:
    def test_no_file_holds_a_forbidden_word(self) -> None:
        found = {}
        for path in repository_files():
            try:
                words = forbidden_words(path.read_text(encoding="utf-8"))
            except UnicodeDecodeError:
                continue  # a picture or a sound
            if words:
                found[str(path.relative_to(ROOT))] = words
        assert found == {}

    @pytest.mark.parametrize(
        "line",
        [
            "open('/wo" + "rk/main/x')",
            "cd /tmp/la" + "b",
            "in an earlier ses" + "sion",
            "see iss" + "ue #12",
            "x = 1  # TO" + "DO",
        ],
    )
    def test_the_check_sees_each_kind_of_word(self, line: str) -> None:
        assert len(forbidden_words(line)) == 1

    @pytest.mark.parametrize(
        "line",
        [
            "/workers/x",
            "artwork/main",
            '@pytest.fixture(scope="ses' + 'sion")',
            "/tmp/x",
            "reissue #",
            "obsession",
        ],
    )
    def test_the_check_leaves_innocent_words_alone(self, line: str) -> None:
        assert forbidden_words(line) == []


class TestDependencies:
    def test_each_has_a_line_in_its_page_and_each_line_has_a_dependency(self) -> None:
        needed = {normal(re.split(r"[ <>=!~\[;]", line, maxsplit=1)[0]) for line in requirements()}
        described = [normal(name) for name in described_dependencies()]
        assert sorted(described) == sorted(needed)

    @pytest.mark.parametrize("line", requirements())
    def test_each_names_the_oldest_version_that_will_do(self, line: str) -> None:
        assert ">=" in line


class TestDocuments:
    def test_the_automatic_run_is_the_readmes_test_command(self) -> None:
        command = "python3 tools/test.py"
        assert f"\n```\n{command}\n```\n" in (ROOT / "README.md").read_text()
        assert (ROOT / ".ci" / "run").read_text().splitlines()[-1].startswith(command)

    @pytest.mark.parametrize(
        "path",
        [
            *sorted(ROOT.glob("*.md")),
            *sorted(path for room in ("instrument", "patches", "tools") for path in ROOT.glob(f"{room}/**/*.md")),
        ],
        ids=lambda path: str(path.relative_to(ROOT)),
    )
    def test_every_link_to_a_file_leads_to_one(self, path: Path) -> None:
        links = re.findall(r"\]\(([^)#\s]+)", path.read_text())
        assert [link for link in links if "://" not in link and not (path.parent / link).exists()] == []

    @pytest.mark.parametrize(
        "room", sorted(path.parent for path in [*PACKAGE.glob("*/README.md"), ROOT / "tools" / "README.md"]), ids=str
    )
    def test_the_page_of_a_room_names_every_module_of_it_and_no_other(self, room: Path) -> None:
        modules = {path.relative_to(room).as_posix() for path in room.rglob("*.py")}
        modules -= {name for name in modules if name.endswith("__init__.py")}
        text = (room / "README.md").read_text()
        if room.name != "tools":
            named = re.findall(r"^- `([\w/]+\.py)`: \S", text, re.MULTILINE)
            assert sorted(named) == sorted(modules)
            return
        # There a row may name the modules beside its own by their bare names.
        names = set(re.findall(r"`([\w/]+\.py)`", text))
        assert {name for name in modules if name not in names and Path(name).name not in names} == set()
        assert {name for name in names if not any(f"/{module}".endswith(f"/{name}") for module in modules)} == set()
