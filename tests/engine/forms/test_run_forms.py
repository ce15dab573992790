"""Forms in a row: the order is the patch's, the pieces in which samples come are nobody's business."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from instrument.engine.engine import set_event, swap_event
from instrument.engine.forms.form_table import FORM_KINDS, FORM_ROWS, FORM_TABLE
from instrument.engine.memory.layout import CHUNK, LINK_ADD, RINGS
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from instrument.engine.parameters import INDEX
from tests.engine.forming import LAYER_NUMBER, Bench, drawing, remembered
from tests.engine.playing import RATE, bare_program, exact, exact_points, started, terms
from tests.engine.signal.test_render import BLOCKS, FRAMES, STAGE, perform
from tests.strategies import AWKWARD, any_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.engine import Engine, Event
    from instrument.engine.program import Program

ORDERS = st.lists(st.sampled_from(FORM_KINDS), min_size=1, max_size=len(FORM_KINDS), unique=True)

USUAL = st.floats(-2.0, 2.0)


def test_the_order_of_forms_is_the_order_in_which_the_drawing_passes_them() -> None:
    points = drawing()
    for order in (("twist", "lattice", "shear"), ("lattice", "shear", "twist")):
        one_by_one = points
        for kind in order:
            one_by_one = Bench([kind]).form(one_by_one)
        assert Bench(order).form(points).tobytes() == one_by_one.tobytes()
    assert (Bench(["twist", "lattice"]).form(points) != Bench(["lattice", "twist"]).form(points)).any()


@st.composite
def benches(draw: st.DrawFn) -> tuple[list[str], dict[str, float | tuple[float, float]]]:
    """Forms in any order, and for some of their parameters a number or the two ends of a movement."""
    kinds = draw(ORDERS)
    values: dict[str, float | tuple[float, float]] = {}
    for kind in kinds:
        rows = FORM_TABLE[kind].parameters
        for row in draw(st.lists(st.sampled_from(rows), max_size=3, unique=True)):
            values[f"{kind}.{row.name}"] = draw(USUAL | any_number() | st.tuples(USUAL, USUAL))
    return kinds, values


@settings(max_examples=80, suppress_health_check=[HealthCheck.too_slow])
@given(benches(), st.lists(st.integers(1, CHUNK), min_size=1, max_size=40), st.integers(0, 99))
def test_it_does_not_matter_how_the_samples_of_a_chunk_are_cut(
    forms: tuple[list[str], dict[str, float | tuple[float, float]]], mixture: list[int], seed: int
) -> None:
    kinds, values = forms
    frames = 150
    points = drawing(frames, seed=seed)
    position = np.linspace(0.0, 3.0, frames)
    found = []
    for pieces in ([], [1] * frames, [7] * frames, mixture):
        bench = Bench(kinds)
        for name, value in values.items():
            if isinstance(value, tuple):
                bench.set(name, np.linspace(*value, frames))
            else:
                bench.set(name, value)
        formed = bench.form(points, position=position, rounds=np.floor(position), pieces=pieces)
        formed[np.isnan(formed)] = np.nan  # of nan only that it is one goes further
        state = [bench.state["forms"][LAYER_NUMBER][kind][field].tobytes() for kind, field in remembered()]
        found.append((formed.tobytes(), state))
    assert all(one == found[0] for one in found[1:])


def formed_program(kinds: list[str] | tuple[str, ...], **values: float) -> Program:
    """Return a program of a harmonic figure that passes forms; values by address below ``form.``."""
    program = bare_program()
    program.draw_harmonic(
        0,
        (
            terms((0.3, 1, 0.25), (0.1, 3, 0)),
            terms((0.3, 1, 0), (0.1, 2, 0.1)),
            terms((0.2, 2, 0)),
        ),
    )
    program.form(0, kinds)
    for name, value in values.items():
        program.set(f"layer.1.form.{name.replace('_', '.')}", value)
    program.schedule()
    return program


FORM_ADDRESSES = st.builds("layer.{}.{}".format, st.integers(1, 2), st.sampled_from([row.name for row in FORM_ROWS]))


@st.composite
def programs(draw: st.DrawFn) -> Program:
    """Two layers that pass forms, with parameters of the forms moved by modulators."""
    program = bare_program()
    program.record["ramp_seconds"] = draw(st.sampled_from([0.0, 0.0003, 0.005]))
    program.record["fade_seconds"] = draw(st.sampled_from([0.0, 0.0005, 0.005]))
    program.draw_harmonic(0, (terms((0.4, 1, 0.25), (0.2, 2.5, 0)), terms((0.4, 1, 0)), terms((0.2, 2, 0))))
    program.draw_path(1, np.random.default_rng(3).uniform(-0.8, 0.8, (30, 3)))
    program.set("mix.mode", draw(st.integers(0, 1)))
    for layer in range(2):
        program.form(layer, draw(ORDERS))
        program.set(f"layer.{layer + 1}.pen.frequency", draw(st.sampled_from([110.0, 440.0, 997.0, -300.0])))
        program.set(f"layer.{layer + 1}.pen.direction", draw(st.integers(0, 2)))
    for address, value in draw(st.lists(st.tuples(FORM_ADDRESSES, USUAL), max_size=6)):
        program.set(address, value)
    for number in range(2):
        program.record["modulators"]["kind"][number] = MODULATOR_LFO
        program.set(f"mod.{number + 1}.rate", draw(st.sampled_from([0.0, 3.0, 441.0, 12_345.0])))
    for address in draw(st.lists(FORM_ADDRESSES, max_size=4)):
        program.link(int(program.record["n_links"]), draw(st.integers(0, 1)), address, LINK_ADD)
    program.schedule()
    return program


EVENTS = st.one_of(
    st.builds(set_event, st.integers(1, FRAMES - 1), FORM_ADDRESSES, USUAL | any_number()),
    st.builds(swap_event, st.integers(1, FRAMES - 1), st.integers(0, 1), carry=st.booleans()),
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(
    st.lists(programs(), min_size=2, max_size=2),
    st.lists(st.tuples(st.integers(0, RINGS - 1), EVENTS), max_size=12),
    st.lists(st.integers(1, 700), min_size=1, max_size=8),
)
def test_every_block_size_gives_the_same_bytes(
    loaded: list[Program], events: list[tuple[int, Event]], mixture: list[int]
) -> None:
    def everything(blocks: list[int]) -> dict[str, bytes]:
        found = perform(loaded, events, blocks)
        record = STAGE.memory.record
        state = record["instances"][int(record["active"])]
        return found | {"forms": state["forms"][:2].tobytes()}

    wanted = everything([FRAMES])
    for blocks in [*[[size] for size in BLOCKS], mixture]:
        found = everything(blocks)
        assert not [name for name in wanted if found[name] != wanted[name]], blocks


NUMBERS = (math.inf, -math.inf, math.nan, 1e308, -1e308, 5e-324, -7.0, 0.0)

SETTLING = 4000
"""Samples in which the filters and the delay of the program below have forgotten anything."""


def instance(engine: Engine) -> np.void:
    return engine.record["instances"][int(engine.record["active"])]  # type: ignore[no-any-return]


@pytest.mark.parametrize("order", [FORM_KINDS, FORM_KINDS[::-1]], ids=["as listed", "reversed"])
@pytest.mark.parametrize("number", NUMBERS)
def test_every_parameter_of_every_form_takes_any_number_and_forgets_it(number: float, order: tuple[str, ...]) -> None:
    engine, twin = started(formed_program(order)), started(formed_program(order))
    for row in FORM_ROWS:
        address = f"layer.1.{row.name}"
        usual = engine.value(address)
        engine.set(address, number)
        during = engine.render(2 * CHUNK)
        engine.set(address, usual)
        twin.render(2 * CHUNK)
        instance(twin)["forms"]["noise"] = instance(engine)["forms"]["noise"]
        engine.render(SETTLING)
        twin.render(SETTLING)
        assert np.isfinite(during).all(), address
        assert np.abs(during).max() <= 1.0, address
        np.testing.assert_allclose(engine.render(2 * CHUNK), twin.render(2 * CHUNK), rtol=0, atol=2e-7, err_msg=address)


@pytest.mark.parametrize("number", NUMBERS[:5])
def test_a_drawing_gone_mad_is_forgotten(number: float) -> None:
    engine, twin = started(formed_program(FORM_KINDS)), started(formed_program(FORM_KINDS))
    for address in ("layer.1.source.x.1.amplitude", "layer.1.source.z.1.phase", "layer.1.pen.length"):
        usual = engine.value(address)
        engine.set(address, number)
        assert np.isfinite(engine.render(5 * CHUNK)).all()
        engine.set(address, usual)
        twin.render(5 * CHUNK)
        engine.render(SETTLING)
        twin.render(SETTLING)
        np.testing.assert_allclose(engine.render(CHUNK), twin.render(CHUNK), rtol=0, atol=2e-7, err_msg=address)


def test_ten_thousand_sets_of_any_numbers_neither_stop_the_sound_nor_stay_in_it() -> None:
    chance = np.random.default_rng(20)
    program, clean = formed_program(FORM_KINDS), formed_program(FORM_KINDS)
    engine = started(clean)
    wanted = engine.render(CHUNK).tobytes()
    base = program.record["base"]
    first = INDEX[f"layer.1.{FORM_ROWS[0].name}"]
    usual = base[first : first + len(FORM_ROWS)].copy()
    for turn in range(10_000):
        count = int(chance.integers(1, len(FORM_KINDS) + 1))
        program.form(0, [FORM_KINDS[k] for k in chance.permutation(len(FORM_KINDS))[:count]])
        size = 10.0 ** chance.uniform(-3, 3)
        values = np.where(
            chance.random(len(usual)) < 0.5,
            chance.choice(AWKWARD, len(usual)),
            chance.normal(0, size, len(usual)),
        )
        base[first : first + len(usual)] = np.where(chance.random(len(usual)) < 0.5, usual, values)
        engine.play(program)
        out = engine.render(CHUNK)
        assert np.isfinite(out).all(), turn
        assert np.abs(out).max() <= 1.0, turn
        if turn % 100 == 0:
            engine.play(clean)
            engine.render(1)
            assert engine.render(CHUNK).tobytes() == wanted, turn


def test_forms_come_between_the_source_and_its_place() -> None:
    program = formed_program(["lattice"])
    plain = exact_points(started(formed_program([])), 300)
    program.set("layer.1.place.size", 0.3)
    found = exact_points(started(program), 300)
    np.testing.assert_allclose(found, 0.3 * np.floor(plain / 0.125 + 0.5) * 0.125, atol=1e-15)


def test_a_form_sees_a_linked_parameter_at_every_sample() -> None:
    program = formed_program(["shear"], shear_x=0.0)
    program.record["modulators"]["kind"][0] = MODULATOR_LFO
    program.set("mod.1.rate", 1000.0)
    program.link(0, 0, "layer.1.form.shear.x")
    program.schedule()
    plain = exact_points(started(formed_program([])), 500)
    slant = np.sin(2 * np.pi * 1000.0 * np.arange(1, 501) / RATE)
    found = exact_points(started(program), 500)
    np.testing.assert_allclose(found[:, 0], plain[:, 0] + slant * plain[:, 1], atol=1e-11)


def in_turns(*frequencies: float) -> Program:
    program = bare_program()
    for layer, frequency in enumerate(frequencies):
        program.draw_path(layer, np.random.default_rng(layer).uniform(-0.7, 0.7, (20, 3)))
        program.set(f"layer.{layer + 1}.pen.frequency", frequency)
    program.set("mix.mode", 1.0)
    program.schedule()
    return program


def turns_of_first(samples: int, *lengths: int) -> NDArray[np.bool_]:
    """Return which samples, from sample 1, belong to the first layer when each draws so many in turn."""
    return (np.arange(1, samples + 1) % sum(lengths)) < lengths[0]


def test_a_copy_is_drawn_in_every_round_of_the_layer() -> None:
    program = bare_program()
    program.draw_path(0, np.array([[0.5, 0.0, 0.0]]))
    program.set("layer.1.pen.frequency", 480.0)
    program.form(0, ["copies"])
    program.schedule()
    found = exact(started(program), 1000)
    angle = np.arange(1, 1001) // 100 % 3 / 3
    np.testing.assert_allclose(found[:, 0], 0.5 * np.cos(2 * np.pi * angle), atol=1e-12)
    np.testing.assert_allclose(found[:, 1], 0.5 * np.sin(2 * np.pi * angle), atol=1e-12)


def test_layers_that_draw_in_turn_draw_a_copy_in_each_turn() -> None:
    program = in_turns(480.0, 960.0)
    program.form(0, ["copies"])
    plain = exact(started(in_turns(480.0, 960.0)), 2000)
    found = exact(started(program), 2000)
    mine = turns_of_first(2000, 100, 50)
    angle = 2 * np.pi * (np.arange(1, 2001) // 150 % 3) / 3
    wanted = plain.copy()
    turned = plain[:, 0] * np.cos(angle) - plain[:, 1] * np.sin(angle)
    wanted[mine, 0] = turned[mine]
    wanted[mine, 1] = (plain[:, 0] * np.sin(angle) + plain[:, 1] * np.cos(angle))[mine]
    np.testing.assert_allclose(found, wanted, atol=1e-12)


def test_a_delay_line_moves_only_while_its_layer_draws() -> None:
    program = in_turns(480.0, 960.0)
    program.form(0, ["delay"])
    program.set("layer.1.form.delay.x", 30 / RATE)
    engine = started(program)
    plain = exact(started(in_turns(480.0, 960.0)), 2000)
    found = exact(engine, 2000)
    mine = turns_of_first(2000, 100, 50)
    drawn = plain[mine, 0]
    np.testing.assert_allclose(found[mine, 0][31:], drawn[1:-30], atol=1e-15)
    np.testing.assert_array_equal(found[~mine], plain[~mine])


def test_a_layer_of_which_no_form_is_listed_is_not_touched() -> None:
    plain = formed_program([])
    dialled = formed_program([])
    for row in FORM_ROWS:
        dialled.set(f"layer.1.{row.name}", 0.77)
    assert exact(started(dialled), 500).tobytes() == exact(started(plain), 500).tobytes()
