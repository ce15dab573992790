"""A program before it is loaded: what it accepts, and the order in which links are worked out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.engine.forms.form_table import FORM_KINDS
from instrument.engine.memory.layout import FORMS, STEP_BASE, STEP_LINK, STEP_MODULATOR, STEPS, TERMS
from instrument.engine.modulators.modulator_table import MODULATOR_LFO, MODULATOR_NONE
from instrument.engine.modulators.schedule import delayed_links, order_steps
from instrument.engine.parameters import (
    INDEX,
    LINK_BASE,
    LINK_SIZE,
    LINKS,
    LIVE_TERMS,
    MODULATOR_BASE,
    MODULATOR_SIZE,
    MODULATORS,
    ROWS,
)
from instrument.engine.program import Program, new_program
from instrument.engine.signal.source_table import SOURCE_HARMONIC, SOURCE_NONE, SOURCE_PATH
from tests.engine.playing import terms


def linked(*links: tuple[int, str]) -> Program:
    """Return a program whose links are (modulator, address), numbered upwards."""
    program = new_program()
    for number, (modulator, address) in enumerate(links):
        program.record["modulators"]["kind"][modulator] = MODULATOR_LFO
        program.link(number, modulator, address)
    return program


def test_a_new_program_holds_every_default_and_draws_nothing() -> None:
    record = new_program().record
    np.testing.assert_array_equal(record["base"], [row.default for row in ROWS])
    assert (record["layers"]["source"] == SOURCE_NONE).all()


def test_only_parameters_that_select_jump() -> None:
    np.testing.assert_array_equal(new_program().record["jumps"], [bool(row.choices) for row in ROWS])


@pytest.mark.parametrize("value", [np.inf, -np.inf, np.nan, 1e308, 5e-324, -0.0])
def test_a_parameter_starts_at_any_number(value: float) -> None:
    program = new_program()
    program.set("layer.3.place.spin.y", value)
    assert program.record["base"][INDEX["layer.3.place.spin.y"]].tobytes() == np.float64(value).tobytes()


def test_an_unknown_address_is_refused() -> None:
    with pytest.raises(KeyError, match="did you mean"):
        new_program().set("layer.3.place.spin", 1.0)


def test_the_first_harmonic_terms_become_parameters_and_the_rest_a_table() -> None:
    table = np.arange(3.0 * (LIVE_TERMS + 2)).reshape(-1, 3)
    program = new_program()
    program.draw_harmonic(1, (terms(), table, terms()))
    assert program.record["layers"][1]["source"] == SOURCE_HARMONIC
    assert program.record["layers"][1]["terms"].tolist() == [0, LIVE_TERMS + 2, 0]
    first = INDEX["layer.2.source.y.1.amplitude"]
    np.testing.assert_array_equal(program.record["base"][first : first + 3 * LIVE_TERMS], table[:LIVE_TERMS].ravel())
    np.testing.assert_array_equal(program.terms[1, 1], table[LIVE_TERMS:])


def test_too_many_harmonic_terms_are_refused() -> None:
    with pytest.raises(ValueError, match=f"{TERMS + 1} harmonic terms; at most {TERMS}"):
        new_program().draw_harmonic(0, (np.zeros((TERMS + 1, 3)), terms(), terms()))


@pytest.mark.parametrize("shape", [(0, 3), (4, 2), (4,), (0, 4, 3), (2, 0, 3), (2, 4, 2), (1, 2, 4, 3)])
def test_a_path_of_another_shape_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"a path is \(n, 3\) or \(frames, n, 3\) points, none of them 0, not"):
        new_program().draw_path(0, np.zeros(shape))


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_path_that_is_not_finite_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="not finite"):
        new_program().draw_path(0, np.array([[0.0, 0.0, 0.0], [0.0, value, 0.0]]))


def test_a_layer_can_be_cleared() -> None:
    program = new_program()
    program.draw_path(2, np.zeros((1, 3)))
    assert program.record["layers"][2]["source"] == SOURCE_PATH
    program.clear_layer(2)
    assert program.record["layers"][2]["source"] == SOURCE_NONE


def test_forms_are_kept_in_the_order_given_and_replace_those_before() -> None:
    program = new_program()
    program.form(1, ["twist", "fold", "delay"])
    program.form(1, ["lattice", "twist"])
    row = program.record["layers"][1]
    assert [FORM_KINDS[k] for k in row["forms"][: int(row["n_forms"])]] == ["lattice", "twist"]
    assert program.record["layers"]["n_forms"].tolist() == [0, 2, 0, 0, 0, 0, 0, 0]


def test_a_layer_may_pass_all_forms_there_are() -> None:
    program = new_program()
    program.form(0, FORM_KINDS)
    assert int(program.record["layers"]["n_forms"][0]) == len(FORM_KINDS) <= FORMS


def test_an_unknown_form_is_answered_with_the_nearest_one() -> None:
    with pytest.raises(ValueError, match="there is no form 'twits'; did you mean twist"):
        new_program().form(0, ["fold", "twits"])


def test_a_form_like_no_other_is_answered_with_all_there_are() -> None:
    with pytest.raises(ValueError, match=r"there is no form 'zzz'; forms are twist, bend, .*, gaps\."):
        new_program().form(0, ["zzz"])


def test_a_form_named_twice_is_refused_and_nothing_changes() -> None:
    program = new_program()
    program.form(0, ["bend"])
    with pytest.raises(ValueError, match="the form fold is named twice; a layer passes each form at most once"):
        program.form(0, ["fold", "twist", "fold"])
    assert int(program.record["layers"]["n_forms"][0]) == 1


@pytest.mark.parametrize("kind", FORM_KINDS)
def test_rounds_are_counted_for_forms_that_ask_for_them(kind: str) -> None:
    program = new_program()
    program.form(0, [kind])
    assert int(program.record["layers"]["counts"][0]) == (kind in {"copies", "mirror"})


def test_two_links_to_one_parameter_begin_it_once() -> None:
    target = "layer.1.place.turn.z"
    steps, _ = order_steps(linked((0, target), (1, target)).record)
    assert steps.count((STEP_BASE, INDEX[target])) == 1
    assert {(STEP_LINK, 0), (STEP_LINK, 1)} <= set(steps)


def test_a_modulator_without_a_link_runs_too() -> None:
    program = new_program()
    program.record["modulators"]["kind"][5] = MODULATOR_LFO
    assert order_steps(program.record) == ([(STEP_MODULATOR, 5)], 0)


def test_what_moves_the_tempo_comes_before_it() -> None:
    program = linked((0, "layer.1.level"), (0, "tempo.bpm"))
    program.schedule()
    bpm = INDEX["tempo.bpm"]
    assert program.record["schedule"][:2].tolist() == [(STEP_BASE, bpm), (STEP_LINK, 1)]
    assert program.record["tempo_steps"] == 2


def test_a_link_of_a_modulator_that_is_not_in_use_is_refused() -> None:
    program = linked((0, "layer.1.level"))
    program.modulate(0, MODULATOR_NONE)
    with pytest.raises(ValueError, match="modulator 1, which is not in use"):
        program.schedule()


@pytest.mark.parametrize("number", [-1, MODULATORS])
def test_a_modulator_that_is_not_there_is_refused(number: int) -> None:
    with pytest.raises(ValueError, match=f"counted from 1 to {MODULATORS}"):
        new_program().modulate(number, MODULATOR_LFO)


def test_a_kind_that_is_not_there_is_refused() -> None:
    with pytest.raises(ValueError, match="kinds are none, lfo"):
        new_program().modulate(0, 99)


LINK_TARGETS = st.one_of(
    st.sampled_from(["layer.1.level", "layer.1.place.turn.x", "output.gain.x", "tempo.bpm", "tempo.swing"]),
    st.builds("mod.{}.{}".format, st.integers(1, MODULATORS), st.sampled_from(["rate", "phase", "gate"])),
    st.builds("link.{}.{}".format, st.integers(1, LINKS), st.sampled_from(["depth", "offset", "bend"])),
)


@given(st.lists(st.tuples(st.integers(0, MODULATORS - 1), LINK_TARGETS), max_size=LINKS))
def test_everything_is_evaluated_once_and_before_it_is_used(links: list[tuple[int, str]]) -> None:
    record = linked(*links).record
    late = delayed_links(record)
    record["links"]["delayed"][: len(links)] = late
    steps, _ = order_steps(record)
    assert len(steps) == len(set(steps)) <= STEPS
    at = {step: place for place, step in enumerate(steps)}
    assert {number for kind, number in steps if kind == STEP_LINK} == set(range(len(links)))
    for number, (modulator, address) in enumerate(links):
        assert at[STEP_BASE, INDEX[address]] < at[STEP_LINK, number]
        if not late[number]:
            assert at[STEP_MODULATOR, modulator] < at[STEP_LINK, number]
        owner = (INDEX[address] - MODULATOR_BASE) // MODULATOR_SIZE
        if address.startswith("mod.") and (STEP_MODULATOR, owner) in at:
            assert at[STEP_LINK, number] < at[STEP_MODULATOR, owner]
        owner = (INDEX[address] - LINK_BASE) // LINK_SIZE
        if address.startswith("link.") and owner < len(links) and not late[owner]:
            assert at[STEP_LINK, number] < at[STEP_LINK, owner]


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5)), max_size=20))
def test_exactly_the_links_that_close_a_circle_of_modulators_are_late(edges: list[tuple[int, int]]) -> None:
    record = linked(*[(a, f"mod.{b + 1}.rate") for a, b in edges]).record
    reach = np.eye(6, dtype=bool)  # without the late links
    for (a, b), late in zip(edges, delayed_links(record), strict=True):
        assert late == reach[b, a]
        if not late:
            reach |= np.outer(reach[:, a], reach[b])
