"""The render loop: whatever the block size, the same bytes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from instrument.engine.engine import Engine, Event, midi_event, panic_event, set_event, swap_event
from instrument.engine.memory.allocation import Memory, allocate
from instrument.engine.memory.layout import CURVES, LINK_ADD, LINK_MULTIPLY, MESSAGES, RINGS
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from instrument.engine.parameters import ADDRESSES, LIVE_TERMS
from instrument.engine.program import Program, new_program
from instrument.engine.signal.jump_table import lay_jumps
from tests.engine.playing import RATE, listen_to
from tests.strategies import any_number

if TYPE_CHECKING:
    from collections.abc import Sequence

FRAMES = 1500
BLOCKS = (1, 7, 64, 480, 1024)
SLOTS = 3

STATE = (
    "value",
    "target",
    "slot",
    "turn",
    "pen",
    "pen_wrapped",
    "spin",
    "carry",
    "last_ratio",
    "last_position",
    "modulator",
    "link_history",
    "tempo",
    "delay",
    "delay_at",
    "dc_in",
    "dc_out",
)
"""What an instance remembers from one sample to the next."""

USED_LAYERS, USED_MODULATORS, USED_LINKS = 3, 3, 4

LAYER_PARAMETERS = (
    "level",
    "pen.frequency",
    "pen.key",
    "pen.bend",
    "pen.start",
    "pen.length",
    "pen.direction",
    "place.size",
    "place.scale.y",
    "place.turn.x",
    "place.turn.z",
    "place.spin.x",
    "place.spin.y",
    "place.move.z",
    "place.camera",
    "source.frame",
    "source.blend",
    "source.x.1.amplitude",
    "source.x.1.ratio",
    "source.y.2.ratio",
    "source.y.1.phase",
)
PATCH_PARAMETERS = (
    "mix.mode",
    "output.level",
    "output.swap",
    "output.invert.x",
    "output.gain.y",
    "output.offset.x",
    "output.delay.x",
    "output.delay.y",
    "output.ac",
    "output.corner",
    "output.knee",
    "output.limit",
)
LINK_PARAMETERS = ("depth", "offset", "bend")
MODULATOR_PARAMETERS = ("shape", "rate", "phase", "width", "sync", "gate")


def numbered(stem: str, count: int, names: Sequence[str]) -> st.SearchStrategy[str]:
    return st.builds("{}.{}.{}".format, st.just(stem), st.integers(1, count), st.sampled_from(names))


ADDRESS = (
    numbered("layer", USED_LAYERS, LAYER_PARAMETERS)
    | numbered("mod", USED_MODULATORS, MODULATOR_PARAMETERS)
    | numbered("link", USED_LINKS, LINK_PARAMETERS)
    | st.sampled_from(PATCH_PARAMETERS)
)

USUAL = st.floats(-3.0, 3.0)
FREQUENCY = st.sampled_from([0.0, 0.1, 55.0, 110.0, 440.0, 1000.0, 20_000.0, 30_000.0, -77.7, 48_000.0])
TERM = st.tuples(st.floats(-0.5, 0.5), st.sampled_from([1.0, 2.0, 3.0, -1.0, 0.5, 2.37, 0.0]), st.floats(0, 1))
TERMS = st.lists(TERM, max_size=LIVE_TERMS + 3)


class Brief(Program):
    """A program that a failing test can print: only what differs from the defaults."""

    def __repr__(self) -> str:
        base = new_program().record["base"]
        values = {
            address: float(value)
            for address, value, usual in zip(ADDRESSES, self.record["base"], base, strict=True)
            if value != usual
        }
        links = self.record["links"][: int(self.record["n_links"])].tolist()
        controls = self.record["controls"][: int(self.record["n_controls"])].tolist()
        sources = self.record["layers"][["source", "terms"]].tolist()[:USED_LAYERS]
        seconds = [float(self.record[name]) for name in ("ramp_seconds", "fade_seconds")]
        return f"Program({sources=}, {values=}, {links=}, {controls=}, {seconds=})"


@st.composite
def programs(draw: st.DrawFn) -> Program:
    program = Brief(new_program().record)
    program.record["ramp_seconds"] = draw(st.sampled_from([0.0, 0.0003, 0.005, 0.02]))
    program.record["fade_seconds"] = draw(st.sampled_from([0.0, 0.0005, 0.005, 0.01]))
    for layer in range(draw(st.integers(0, USED_LAYERS))):
        if draw(st.booleans()):
            tables = [np.array(draw(TERMS), np.float64).reshape(-1, 3) for _ in range(3)]
            program.draw_harmonic(layer, tuple(tables))
        else:
            seed, frames, count = draw(st.tuples(st.integers(0, 99), st.integers(1, 3), st.integers(1, 30)))
            program.draw_path(layer, np.random.default_rng(seed).uniform(-0.8, 0.8, (frames, count, 3)))
            if count > 4 and draw(st.booleans()):
                lay_jumps(program, layer, np.tile(np.arange(count) % 5 == 2, (frames, 1)))
        program.set(f"layer.{layer + 1}.pen.frequency", draw(FREQUENCY))
        program.set(f"layer.{layer + 1}.pen.direction", draw(st.integers(0, 2)))
    program.set("mix.mode", draw(st.integers(0, 1)))
    for address, value in draw(st.lists(st.tuples(ADDRESS, USUAL), max_size=8)):
        program.set(address, value)
    for number in range(USED_MODULATORS):
        program.record["modulators"]["kind"][number] = MODULATOR_LFO
        program.set(f"mod.{number + 1}.rate", draw(FREQUENCY))
    for modulator, address, operation in draw(
        st.lists(
            st.tuples(st.integers(0, USED_MODULATORS - 1), ADDRESS, st.sampled_from([LINK_ADD, LINK_MULTIPLY])),
            max_size=USED_LINKS,
        )
    ):
        number = int(program.record["n_links"])
        program.link(number, modulator, address, operation)
    program.schedule()
    for message, address, low, high in draw(
        st.lists(st.tuples(st.sampled_from(MESSAGES), ADDRESS, USUAL, USUAL), max_size=5)
    ):
        listen_to(program, message, address, low, high, curve=draw(st.integers(0, len(CURVES) - 2)))
    return program


TIME = st.integers(1, FRAMES - 1) | st.sampled_from([63, 64, 65, 128, 479, 480, 481, 1024, 1025])
MESSAGE = st.tuples(st.sampled_from([0x90, 0x80, 0xB0, 0xD0, 0xE0, 0x91]), st.integers(0, 127), st.integers(0, 127))

EVENTS = st.one_of(
    st.builds(set_event, TIME, ADDRESS, any_number(), at_once=st.booleans()),
    st.builds(set_event, TIME, ADDRESS, USUAL, at_once=st.booleans()),
    TIME.flatmap(lambda time: MESSAGE.map(lambda bytes_: midi_event(time, *bytes_))),
    st.builds(swap_event, TIME, st.integers(0, SLOTS - 1), carry=st.booleans()),
    st.builds(swap_event, TIME, st.integers(0, SLOTS - 1), carry=st.booleans(), fade=st.just(0.003)),
    st.builds(panic_event, TIME),
)


@dataclass
class Stage:
    """One memory that many renderings use in turn, as if it were new each time."""

    memory: Memory = field(default_factory=lambda: allocate(RATE, ring_seconds=0.01))
    fresh: bytes = b""

    def engine(self) -> Engine:
        record = self.memory.record
        pool = int(record.dtype.fields["pool"][1])  # type: ignore[index]
        view = record.reshape(1).view(np.uint8)
        behind = pool + record["pool"].nbytes
        if not self.fresh:
            self.fresh = view[:pool].tobytes() + view[behind:].tobytes()
        whole = np.frombuffer(self.fresh, np.uint8)
        view[:pool] = whole[:pool]
        view[behind:] = whole[pool:]
        return Engine(RATE, self.memory)


STAGE = Stage()


def perform(loaded: list[Program], events: list[tuple[int, Event]], blocks: Sequence[int]) -> dict[str, bytes]:
    """Render FRAMES in blocks of the given sizes, taken in turn; return everything that came of it."""
    engine = STAGE.engine()
    for slot, program in enumerate(loaded):
        engine.load(program, slot)
    engine.push(swap_event(0, 0))
    for ring, event in sorted(events, key=lambda pair: pair[1].time):
        assert engine.push(event, ring)
    out = np.zeros((FRAMES, 2), np.float32)
    done = turn = 0
    while done < FRAMES:
        count = min(blocks[turn % len(blocks)], FRAMES - done)
        engine.render_into(out[done : done + count])
        done += count
        turn += 1
    record = engine.record
    found = {name: record["instances"][int(record["active"])][name].tobytes() for name in STATE}
    found["output"] = out.tobytes()
    for name in ("log", "held_notes", "cc", "bend", "pressure", "peak", "active", "fade_left", "ring"):
        found[name] = record[name].tobytes()
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= 1.0
    return found


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(
    st.lists(programs(), min_size=SLOTS, max_size=SLOTS),
    st.lists(st.tuples(st.integers(0, RINGS - 1), EVENTS), max_size=25),
    st.lists(st.integers(1, 700), min_size=1, max_size=8),
)
def test_every_block_size_gives_the_same_bytes(
    loaded: list[Program], events: list[tuple[int, Event]], mixture: list[int]
) -> None:
    wanted = perform(loaded, events, [FRAMES])
    for blocks in [*[(size,) for size in BLOCKS], mixture]:
        found = perform(loaded, events, blocks)
        different = [name for name in wanted if found[name] != wanted[name]]
        assert not different, f"blocks of {blocks}: {different} differ"


def test_the_output_ring_gets_every_sample_that_the_device_gets() -> None:
    engine = STAGE.engine()
    program = new_program()
    program.draw_path(0, np.random.default_rng(0).uniform(-1, 1, (50, 3)))
    program.schedule()
    engine.play(program)
    out = engine.render(400, block=37)
    assert int(engine.record["ring_at"]) == 400
    assert engine.record["ring"][:400].tobytes() == out.tobytes()
