"""Typed formulas: Python's precedence, errors with their column, and nothing let in that is no arithmetic."""

from __future__ import annotations

import random
import time
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.formulas.instructions import (
    NAMES,
    OPERATION_NUMBERS,
    OPERATIONS,
    TEMPORARY,
    split_reference,
)
from instrument.engine.memory.layout import FORMULA_ROWS
from instrument.engine.numeric.safe_math import HUGE
from instrument.engine.parameters import KNOBS
from instrument.patch.formula.functions import FUNCTIONS
from instrument.patch.formula.graph import MOST_INSTRUCTIONS
from instrument.patch.formula.parser import DEEPEST, LONGEST, FormulaError, compile_formula
from tests.engine.formula_rig import Rig
from tests.patch.attacks import ATTACKS, HARMLESS
from tests.patch.random_formulas import random_formula
from tests.strategies import any_number

if TYPE_CHECKING:
    from instrument.engine.formulas.instructions import Formula

RIG = Rig()

OPERATORS = ("+", "-", "*", "/", "//", "%", "**")


def arithmetic(leaves: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    """Arithmetic as it is typed, with brackets only here and there, so that precedence decides."""
    return st.recursive(
        leaves,
        lambda inner: (
            st.builds("{} {} {}".format, inner, st.sampled_from(OPERATORS), inner)
            | st.builds("{}{}".format, st.sampled_from("+-"), inner)
            | st.builds("({})".format, inner)
        ),
        max_leaves=12,
    )


KNOB_VALUES = st.lists(st.floats(-9, 9) | any_number(), min_size=8, max_size=8)


def bounded(value: float) -> float:
    return float(np.clip(np.nan_to_num(value, nan=0.0, posinf=HUGE, neginf=-HUGE), -HUGE, HUGE))


@given(text=arithmetic(st.sampled_from(KNOBS)), values=KNOB_VALUES)
@settings(max_examples=200)
def test_arithmetic_has_pythons_precedence(text: str, values: list[float]) -> None:
    normal = [0.0 if abs(value) < 2.3e-308 else value for value in values]
    scope: dict[str, Any] = {knob: np.float64(value) for knob, value in zip(KNOBS, normal, strict=True)}
    with np.errstate(all="ignore"):
        wanted = eval(text, {"__builtins__": {}}, scope)  # noqa: S307 - made of knobs and operators above
    found = RIG.value(text, **dict(zip(KNOBS, ([value] for value in normal), strict=True)))[0]
    assert found == pytest.approx(bounded(wanted), rel=1e-13, abs=1e-290)


@given(a=any_number(), b=any_number(), c=any_number())
def test_comparisons_chain_and_give_1_or_0(a: float, b: float, c: float) -> None:
    for text in (
        "a < b",
        "a <= b",
        "a > b",
        "a >= b",
        "a == b",
        "a != b",
        "a < b < c",
        "a >= b != c",
        "a == b == c",
    ):
        wanted = float(eval(text, {}, {"a": a, "b": b, "c": c}))  # noqa: S307 - the texts above
        assert RIG.value(text, a=[a], b=[b], c=[c])[0] == wanted, text


@given(a=any_number(), b=any_number())
def test_and_or_and_not_give_1_or_0(a: float, b: float) -> None:
    for text in ("a and b", "a or b", "not a", "not a or b", "a < 1 and not b > 2"):
        wanted = float(bool(eval(text, {}, {"a": a, "b": b})))  # noqa: S307 - the texts above
        assert RIG.value(text, a=[a], b=[b])[0] == wanted, text


@given(text=arithmetic(st.sampled_from(["0", "1", "2.5", ".5", "1e3", "7", "inf", "nan", "0x10"])))
def test_what_is_known_before_playing_is_worked_out_then(text: str) -> None:
    formula = compile_formula(text)
    assert len(formula.instructions) == 1
    scope = {"inf": np.float64(np.inf), "nan": np.float64(np.nan)}
    wrapped = " ".join(f"F({word})" if word[0].isdigit() or word[0] == "." else word for word in _words(text))
    with np.errstate(all="ignore"):
        wanted = eval(wrapped, {"F": np.float64}, scope)  # noqa: S307 - made of numbers and operators above
    assert formula.constants[0] == pytest.approx(float(wanted), rel=1e-13, nan_ok=True)


def _words(text: str) -> list[str]:
    for sign in ("(", ")", "**", "//", "+", "-", "%"):
        text = text.replace(sign, f" {sign} ")
    return text.replace("*  *", "**").replace("/  /", "//").split()


def test_the_same_part_is_worked_out_once() -> None:
    once = len(compile_formula("sin(a * b) + 1").instructions)
    assert len(compile_formula("sin(a * b) * sin(a * b) + 1").instructions) <= once + 1


def test_no_loop_writes_a_row_that_it_reads() -> None:
    rng = random.Random(11)
    for _ in range(300):
        for row in compile_formula(random_formula(rng)).instructions:
            name = list(OPERATIONS)[int(row["operation"])]
            assert int(row["target"]) not in row["operands"][: OPERATIONS[name]].tolist()
            kind, index = split_reference(int(row["target"]))
            assert kind == TEMPORARY
            assert 0 <= index < FORMULA_ROWS


@pytest.mark.parametrize(("text", "column"), ATTACKS, ids=[repr(text[:40]) for text, _ in ATTACKS])
def test_nothing_but_a_formula_gets_through(text: str, column: int) -> None:
    began = time.process_time()
    with pytest.raises(FormulaError) as caught:
        compile_formula(text)
    assert caught.value.column == column, str(caught.value)
    assert time.process_time() - began < 1.0


def test_there_are_many_attacks() -> None:
    assert len({text for text, _ in ATTACKS}) == len(ATTACKS) >= 60


@pytest.mark.parametrize("text", HARMLESS, ids=[repr(text[:40]) for text in HARMLESS])
def test_huge_numbers_are_answered_in_floating_point_at_once(text: str) -> None:
    began = time.process_time()
    compile_formula(text)
    assert time.process_time() - began < 1.0


SENTENCES = {
    "2 * sine(p)": "column 5: sine is not a function here; did you mean sin?",
    "sin(q)": "column 5: q is not a name here; there are pi, tau, inf, nan, t, p, n, note, velocity, bpm, beat, left,"
    " right, a to h, x1 to x8, y1 to y8",
    "velocty": "column 1: velocty is not a name here; did you mean velocity?",
    "sin(a, b)": "column 1: sin takes 1 number, not 2",
    "where(a)": "column 1: where takes 3 numbers, not 1",
    "min(a)": "column 1: min takes 2 to 16 numbers, not 1",
    "sin": "column 1: sin is a function; write sin(...)",
    "a (b + c)": "column 1: a is a number, not a function; a product is written with *",
    "a ^ 2": "column 3: a power is written **, not ^",
    "a = 2": "column 3: = is not known; equality is written ==",
    "(a + b": "column 1: the bracket ( is never closed",
    "a + b)": "column 6: the bracket ) closes nothing",
    "a +": "column 4: the formula ends too early; something is missing",
    "a if b else c": "column 1: if and else are not known; write where(condition, a, b);"
    " a formula holds numbers, names, arithmetic, comparisons and functions",
    "2 \N{MULTIPLICATION SIGN} a": "column 3: \N{MULTIPLICATION SIGN} is not known; write *",
    "": "column 1: the formula is empty; it holds numbers, names, arithmetic, comparisons and functions",
}


@pytest.mark.parametrize("text", SENTENCES)
def test_an_error_says_where_and_what_and_how_to_mend_it(text: str) -> None:
    with pytest.raises(FormulaError) as caught:
        compile_formula(text)
    assert str(caught.value) == SENTENCES[text]


@pytest.mark.parametrize(("text", "column"), [("  a ^ 2", 5), ("a +\n  sine(b)", 7), ("\n\n q", 4)])
def test_columns_count_every_character_before(text: str, column: int) -> None:
    with pytest.raises(FormulaError) as caught:
        compile_formula(text)
    assert caught.value.column == column


def test_line_breaks_are_spaces() -> None:
    assert RIG.value("\n  a\n + 2\n", a=[1.0])[0] == 3.0


def tried(text: str) -> Formula | FormulaError:
    try:
        return compile_formula(text)
    except FormulaError as error:
        return error


@given(text=st.text(max_size=60) | st.text("abtp0123456789.+-*/%()<>=, sincow", max_size=60))
@settings(max_examples=300)
def test_any_text_is_a_formula_or_refused_with_a_column(text: str) -> None:
    found = tried(text)
    if isinstance(found, FormulaError):
        assert 1 <= found.column <= len(text) + 1
        assert found.reason
    else:
        assert 0 < len(found.instructions) <= MOST_INSTRUCTIONS


def test_names_can_be_left_out() -> None:
    compile_formula("t + a", names=("t", "a"))
    with pytest.raises(FormulaError, match="column 5: left cannot be read here; there are pi, tau, inf, nan, t, a"):
        compile_formula("t + left", names=("t", "a"))


def test_no_name_hides_a_function() -> None:
    assert not set(NAMES) & set(FUNCTIONS)
    assert set(OPERATION_NUMBERS.values()) == set(range(len(OPERATIONS)))


def test_a_formula_of_more_instructions_than_stated_is_refused() -> None:
    texts = ["+".join(f"sin({k}*t)" for k in range(1, count + 1)) for count in (84, 110, 130)]
    assert len(compile_formula(texts[0]).instructions) <= MOST_INSTRUCTIONS
    for text in texts[1:]:
        with pytest.raises(FormulaError, match=f"at most {MOST_INSTRUCTIONS} are played"):
            compile_formula(text)


def test_a_sum_may_be_long_and_brackets_are_nested_at_most_so_deep() -> None:
    assert RIG.value("+".join("a" * 200), a=[1.0])[0] == 200.0
    compile_formula("abs(" * (DEEPEST - 1) + "a" + ")" * (DEEPEST - 1))
    with pytest.raises(FormulaError, match=f"nested too deeply; at most {DEEPEST} levels"):
        compile_formula("abs(" * (DEEPEST + 1) + "a" + ")" * (DEEPEST + 1))


def test_a_formula_of_too_many_values_at_once_is_refused() -> None:
    # Each sine is needed again at the end, in the same order, so that all must be kept.
    sines = [f"sin({k}*t)" for k in range(1, 41)]
    text = "+".join(sines) + "-hypot(1," + "*".join(sines[:40]) + ")"
    with pytest.raises(FormulaError, match=f"more than {FORMULA_ROWS} values at the same time"):
        compile_formula(text)


def test_a_text_longer_than_stated_is_refused() -> None:
    compile_formula("a" + " " * (LONGEST - 2) + " ")
    with pytest.raises(FormulaError, match=f"at most {LONGEST} are read"):
        compile_formula("a" + " " * LONGEST)


HOW_MANY = 25_000


@pytest.mark.parametrize("seed", range(4))
def test_random_formulas_run_and_give_finite_numbers(seed: int) -> None:
    # A hundred thousand together, in four parts that run side by side.
    rng = random.Random(seed)
    numbers = np.random.default_rng(seed)
    awkward = np.array([0.0, -0.0, 1.0, -1.0, np.inf, -np.inf, np.nan, 1e308, -1e308, 5e-324, 1e-300, 1e15])
    done = 0
    while done < HOW_MANY:
        formulas = [compile_formula(random_formula(rng)) for _ in range(500)]
        while formulas:
            for knob in KNOBS:
                row = numbers.uniform(-4, 4, 16)
                row[8:] = numbers.choice(awkward, 8)
                RIG.set_row(knob, row)
            places = RIG.load(formulas)
            assert places
            for place in places:
                assert np.isfinite(RIG.run(*place, 0, 16)).all()
            done += len(places)
            del formulas[: len(places)]
    assert RIG.value("a + 1", a=[1.0])[0] == 2.0
