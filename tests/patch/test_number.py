"""Typed numbers are arithmetic with the infinities of IEEE 754, and nothing else is let in."""

import contextlib
import math
import operator
import struct
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.patch.number import NumberError, evaluate, note_to_key, number_for, to_number

ANY_FLOAT = st.floats(allow_nan=True, allow_infinity=True, allow_subnormal=True)


def bits(value: float) -> bytes:
    return struct.pack("<d", value)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1.0),
        ("007", 7.0),
        (" -1e9 ", -1e9),
        ("1_000", 1000.0),
        ("3*440", 1320.0),
        ("1/3", 1 / 3),
        ("2**0.5", math.sqrt(2)),
        ("-2**2", -4.0),
        ("7 // 2 + 7 % 4", 6.0),
        ("(1 + 2) * 3", 9.0),
        ("sqrt(2)/2", math.sqrt(2) / 2),
        ("max(1, min(5, 3))", 3.0),
        ("tau/pi", 2.0),
        ("1/0", math.inf),
        ("-1/0", -math.inf),
        ("1/-0.0", -math.inf),
        ("1e308*10", math.inf),
        ("10**400", math.inf),
        ("9**9**9", math.inf),
        ("log(0)", -math.inf),
        ("-inf", -math.inf),
        ("1/inf", 0.0),
        ("5e-324", 5e-324),
        ("A4", 69.0),
        ("C#4 + 12", 73.0),
        ("Bb-1", 10.0),
        ("C-1", 0.0),
        ("G9", 127.0),
        ("3*E2", 120.0),
        ("3e2", 300.0),
        ("0xA4", 164.0),
    ],
)
def test_text_has_the_value_of_its_arithmetic(text: str, value: float) -> None:
    assert bits(evaluate(text)) == bits(value)


@pytest.mark.parametrize("text", ["nan", "0/0", "inf-inf", "0*inf", "(-8)**(1/3)", "sqrt(-1)", "log(-1)", "inf % 2"])
def test_what_has_no_value_is_nan(text: str) -> None:
    assert math.isnan(evaluate(text))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "it is empty"),
        ("  ", "it is empty"),
        ("2^3", "a power is written **, not ^"),
        ("sine(1)", "sine is not a function that is known"),
        ("speed", "speed is not known"),
        ("sqrt()", "sqrt takes 1 number, not 0"),
        ("min(1)", "min takes 2 numbers, not 1"),
        ("1 +", "it is not arithmetic that can be read"),
        ("H4", "H4 is not known"),
        ("1, 2", "it holds something that is not arithmetic"),
        ("True", "it holds something that is not arithmetic"),
        ("2j", "it holds something that is not arithmetic"),
        ("'a'*9", "it holds something that is not arithmetic"),
        ("1 if 1 else 2", "it holds something that is not arithmetic"),
        ("().__class__", "it holds something that is not arithmetic"),
        ("[x for x in (1,)]", "it holds something that is not arithmetic"),
        ("sqrt(x=1)", "sqrt is not a function that is known"),
        ("__import__('os')", "__import__ is not a function that is known"),
        ("1\x00", "it is not arithmetic that can be read"),
        ("(" * 150 + "1" + ")" * 40, "it is not arithmetic that can be read"),
        ("1+" * 150 + "1", "it has 301 characters, at most 200 are read"),
    ],
)
def test_other_text_is_refused_with_the_reason(text: str, why: str) -> None:
    with pytest.raises(NumberError) as caught:
        evaluate(text)
    assert str(caught.value).startswith(why)


@given(st.text(max_size=220))
def test_any_text_is_a_float_or_refused(text: str) -> None:
    with contextlib.suppress(NumberError):
        assert isinstance(evaluate(text), float)


@given(ANY_FLOAT)
def test_a_float_written_by_python_comes_back_bit_for_bit(value: float) -> None:
    if not math.isnan(value):
        assert bits(evaluate(repr(value))) == bits(value)


SIGNS: dict[str, Callable[..., Any]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
    "**": operator.pow,
}
"""numpy's arithmetic; a power by its scalars, since that of its arrays has another last bit on processors with wide vectors."""

Written = tuple[str, np.float64]


def joined(parts: tuple[Written, str, Written]) -> Written:
    (left, a), sign, (right, b) = parts
    with np.errstate(all="ignore"):
        return f"({left}{sign}{right})", SIGNS[sign](a, b)


@given(
    st.recursive(
        st.floats(0, 1e3).map(lambda value: (repr(value), np.float64(value))),
        lambda below: st.tuples(below, st.sampled_from(sorted(SIGNS)), below).map(joined),
        max_leaves=6,
    )
)
def test_arithmetic_agrees_with_numpy(written: Written) -> None:
    text, value = written
    if len(text) <= 200:
        assert np.array_equal(evaluate(text), value, equal_nan=True)


@pytest.mark.parametrize(("value", "number"), [(3, 3.0), (-(10**400), -math.inf), (0.5, 0.5), ("3*440", 1320.0)])
def test_files_give_integers_of_any_size_floats_and_texts(value: object, number: float) -> None:
    assert to_number(value) == number


@pytest.mark.parametrize(
    ("value", "kind"), [(True, "true or false"), ([1], "a list"), ({}, "a table"), (None, "a date or time")]
)
def test_other_things_are_no_numbers(value: object, kind: str) -> None:
    with pytest.raises(NumberError, match=f"it is {kind}"):
        to_number(value)


def test_a_note_is_a_key_for_a_key_and_a_frequency_for_a_frequency() -> None:
    assert number_for("layer.1.pen.key", "A2") == 45.0
    assert number_for("layer.1.pen.frequency", "A2") == 110.0
    assert number_for("mod.1.rate", "2*A4") == 880.0


def test_a_choice_is_a_name_or_a_number() -> None:
    assert number_for("mod.3.shape", "square") == 3.0
    assert number_for("mod.3.shape", "1/0") == math.inf


def test_an_unknown_address_is_offered_the_nearest() -> None:
    with pytest.raises(KeyError, match=r"did you mean layer.1.place.spin"):
        number_for("layer.1.plac.spin", 1)


@pytest.mark.parametrize(("name", "key"), [("C4 ", 60), ("c#4", 61), ("Db4", 61), ("F##3", 55), ("E♭5", 75)])
def test_a_note_name_is_a_letter_an_accidental_and_an_octave(name: str, key: int) -> None:
    assert note_to_key(name) == key


@pytest.mark.parametrize("name", ["", "H4", "C", "C##", "4", "A4A4", "A#b4"])
def test_anything_else_is_no_note_name(name: str) -> None:
    with pytest.raises(NumberError, match="a note name is a letter A to G"):
        note_to_key(name)
