"""Tunings of patches: scales of cents and ratios against published tables."""

from __future__ import annotations

import math

import numpy as np
import pytest

from instrument.engine.memory.layout import KEYS
from instrument.patch.build import build_program
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import patch_from_text
from instrument.patch.schema.tuning import Tuning
from tests.reference.pitch import A4_KEY, JUST_CENTS, MEANTONE_CENTS

MIDDLE_C = 60
FIFTH = 5**0.25
"""Of quarter-comma meantone: four of them make a pure third and two octaves."""


def away(**fields: object) -> np.ndarray:
    found = Tuning.model_validate(fields).semitones_away()
    assert found is not None
    return np.asarray(found)


def cents_above(found: np.ndarray, root: int, count: int) -> np.ndarray:
    """Return the cents of the keys above a root."""
    keys = np.arange(root, root + count + 1)
    pitches = keys + found[keys]
    return np.asarray(100 * (pitches[1:] - pitches[0]))


def test_a_patch_without_a_scale_is_in_equal_temperament() -> None:
    assert Tuning().semitones_away() is None
    np.testing.assert_allclose(away(cents=[100 * k for k in range(1, 13)]), 0.0, atol=1e-9)


def test_meantone_made_of_its_fifth_is_that_of_the_handbook() -> None:
    # From C: seven fifths up to C sharp and eight to G sharp, three down to E flat.
    fifths = (7, 2, -3, 4, -1, 6, 1, 8, 3, -2, 5)
    ratios = [FIFTH**k / 2 ** math.floor(math.log2(FIFTH**k)) for k in fifths]
    found = away(ratios=[*ratios, 2])
    np.testing.assert_allclose(cents_above(found, MIDDLE_C, 12), MEANTONE_CENTS, atol=0.06)
    np.testing.assert_allclose(cents_above(found, 0, 12), MEANTONE_CENTS, atol=0.06)
    assert found[A4_KEY] == 0.0


def test_ratios_are_those_of_the_handbook_and_repeat_after_their_period() -> None:
    found = away(ratios=list(JUST_CENTS), root="D4")
    np.testing.assert_allclose(cents_above(found, 62, 7), list(JUST_CENTS.values()), atol=6e-4)
    np.testing.assert_allclose(cents_above(found, 62 + 7, 7), list(JUST_CENTS.values()), atol=6e-4)
    np.testing.assert_allclose(cents_above(found, 62 - 7, 7), list(JUST_CENTS.values()), atol=6e-4)


def test_a_period_need_not_be_an_octave() -> None:
    found = away(cents=[400, 1901.955])
    np.testing.assert_allclose(cents_above(found, MIDDLE_C, 4), [400, 1901.955, 2301.955, 3803.91], atol=1e-9)


@pytest.mark.parametrize("number", [0, -1.5, math.nan, math.inf, -math.inf, 1e308])
@pytest.mark.parametrize("kind", ["cents", "ratios"])
def test_any_number_is_taken_and_touches_no_other_step(kind: str, number: float) -> None:
    steps = {"cents": [100.0, number, 1200.0], "ratios": [1.1, number, 2.0]}[kind]
    found = away(**{kind: steps}, root=MIDDLE_C)
    others = np.arange(KEYS) % 3 != (MIDDLE_C + 2) % 3
    assert np.isfinite(found[others]).all()


def test_a_patch_says_where_its_tuning_is_wrong() -> None:
    for line, why in (
        ("cents = []", "1 to 128 steps"),
        ('root = "H9"', "a key from 0 to 127"),
        ("cents = [1200]\nratios = [2]", "in cents or in ratios"),
    ):
        with pytest.raises(PatchError, match=why):
            patch_from_text(f"schema = 1\n[tuning]\n{line}\n")


def test_it_reaches_the_program() -> None:
    patch = patch_from_text('schema = 1\n[tuning]\nreference = 415\nroot = "A3"\nratios = ["3/2", 2]\n')
    program = build_program(patch)
    assert int(program.record["tuned"]) == 1
    assert float(program.record["tuning"][A4_KEY + 1]) == pytest.approx(6.01955)
