"""Every test runs exactly once: together with others, or alone."""

from pathlib import Path

import pytest
from _pytest.mark.expression import Expression

from tools.setup.split_tests import KINDS, group_of, marked_files, pytest_runs, verdict

ROOT = Path(__file__).resolve().parents[3]
TOGETHER, PAIRED, ALONE = range(3)


def test_every_test_belongs_to_one_run_whatever_its_marks() -> None:
    expressions = [run[run.index("-m") + 1] for run in pytest_runs([])]
    for realtime, device in [(False, False), (False, True), (True, False), (True, True)]:
        marks = {"realtime": realtime, "device": device}

        def marked(name: str, /, **_: object) -> bool:
            return marks[name]  # noqa: B023 - asked within this turn

        assert sum(Expression.compile(words).evaluate(marked) for words in expressions) == 1


def test_a_run_reads_the_files_that_hold_its_mark_and_no_other() -> None:
    assert [path for path in marked_files("realtime") if path.endswith("test_every_message.py")]
    assert not [path for path in marked_files("device") if path.endswith("test_every_message.py")]
    assert set(marked_files("device")) <= set(pytest_runs([])[PAIRED])
    assert not [word for word in pytest_runs([])[TOGETHER] if word.endswith(".py")]


@pytest.mark.parametrize("path", marked_files("device"))
def test_what_owns_a_device_says_beside_which_others_it_may_not_run(path: str) -> None:
    text = (ROOT / path).read_text(encoding="utf-8")
    owns_server = any(word in text for word in ("jack_server", "jack: str", "kill_once", "real_show"))
    group = "JACK" if owns_server else "screen" if "/window/" in path else "ALSA"
    group = "PipeWire" if path.endswith("test_pipewire.py") else group
    assert text.count("mark.device") == text.count(f'mark.xdist_group("{group}")') > 0
    assert group_of(ROOT / path) == group


def test_whoever_names_files_gets_those_only() -> None:
    assert not [word for run in pytest_runs(["tests"]) for word in run if word.endswith(".py")]


def test_wishes_reach_every_run() -> None:
    for run in pytest_runs(["tests/engine", "-k", "guard"]):
        assert [word for word in run if word in {"tests/engine", "-k", "guard"}] == [
            "tests/engine",
            "-k",
            "guard",
        ]


@pytest.mark.parametrize("words", [["-m", "slow or odd"], ["-mslow or odd"], ["-m=slow or odd"]])
def test_a_marker_expression_is_narrowed_and_not_replaced(words: list[str]) -> None:
    runs = pytest_runs([*words, "-x"])
    assert [run[-1] for run in runs] == [f"{kind} and (slow or odd)" for kind in KINDS]
    assert all("-x" in run for run in runs)


def test_long_options_that_start_like_the_marker_option_are_left_alone() -> None:
    assert "--maxfail=1" in pytest_runs(["--maxfail=1"])[TOGETHER]


def test_the_serial_run_stays_serial_whatever_is_wished() -> None:
    run = pytest_runs(["-n", "8"])[ALONE]
    assert run.index("0") > run.index("8")


@pytest.mark.parametrize(
    ("codes", "code"),
    [
        ([0, 0, 0, 0], 0),
        ([0, 0, 5, 5], 0),
        ([0, 5, 0, 5], 0),
        ([0, 5, 5, 5], 5),
        ([0, 5, 1, 5], 1),
        ([2, 1, 0, 0], 2),
        ([0, 0, 0, -11], 1),
    ],
)
def test_the_first_failure_decides_and_one_empty_run_is_none(codes: list[int], code: int) -> None:
    assert verdict(codes) == code
