"""Every test runs exactly once: together with others, or alone."""

import pytest
from split_tests import pytest_runs, verdict

TOGETHER, ALONE = 0, 1


def test_without_wishes_the_two_runs_are_each_others_complement() -> None:
    assert pytest_runs([]) == (["-n", "2", "-m", "not realtime"], ["-n", "0", "-m", "realtime"])


def test_wishes_reach_both_runs() -> None:
    for run in pytest_runs(["tests/engine", "-k", "guard"]):
        assert [word for word in run if word in {"tests/engine", "-k", "guard"}] == [
            "tests/engine",
            "-k",
            "guard",
        ]


@pytest.mark.parametrize("words", [["-m", "slow or odd"], ["-mslow or odd"], ["-m=slow or odd"]])
def test_a_marker_expression_is_narrowed_and_not_replaced(words: list[str]) -> None:
    runs = pytest_runs([*words, "-x"])
    assert runs[TOGETHER] == ["-n", "2", "-x", "-m", "not realtime and (slow or odd)"]
    assert runs[ALONE] == ["-x", "-n", "0", "-m", "realtime and (slow or odd)"]


def test_long_options_that_start_like_the_marker_option_are_left_alone() -> None:
    assert "--maxfail=1" in pytest_runs(["--maxfail=1"])[TOGETHER]


def test_the_serial_run_stays_serial_whatever_is_wished() -> None:
    run = pytest_runs(["-n", "8"])[ALONE]
    assert run.index("0") > run.index("8")


@pytest.mark.parametrize(
    ("codes", "code"),
    [
        ([0, 0, 0], 0),
        ([0, 0, 5], 0),
        ([0, 5, 0], 0),
        ([0, 5, 5], 5),
        ([0, 1, 5], 1),
        ([2, 1, 0], 2),
        ([0, 0, -11], 1),
    ],
)
def test_the_first_failure_decides_and_one_empty_run_is_none(codes: list[int], code: int) -> None:
    assert verdict(codes) == code
