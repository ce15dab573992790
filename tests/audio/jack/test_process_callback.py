"""The compiled process callback: nothing in it can wait, and it reads messages as everybody else does."""

from __future__ import annotations

import ctypes
import functools
import importlib.util
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba import cfunc, types

from instrument.audio.jack import process_callback as jack_process
from instrument.audio.jack.library import PROCESS_FUNCTIONS
from instrument.engine.compiling.compiled import ENTRY_OPTIONS, quiet
from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.layout import EVENT, RING_EVENTS, RING_MIDI
from instrument.midi.inputs import HeldKeys
from instrument.midi.message_decoder import complete_messages
from tests.engine.signal.test_callback import (
    called_by_pointer,
    called_outside,
    forbidden_names,
    own_errors,
    own_statuses,
)
from tests.midi.test_inputs import MESSAGE

if TYPE_CHECKING:
    import numpy.typing as npt

CALLBACKS = (
    "process",
    "count_xrun",
    "note_period",
    "note_rate",
    "note_port",
    "note_shutdown",
    "be_quiet",
    "push_to_inbox",
    "publish_outbox",
)


@pytest.fixture(scope="module")
def texts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """LLVM text of every callback, compiled afresh: what comes from the cache has none."""
    source = Path(jack_process.__file__).read_text()
    assert source.count("cache=True") == len(CALLBACKS)
    copy = tmp_path_factory.mktemp("fresh") / "jack_process_afresh.py"
    copy.write_text(source.replace("cache=True", "cache=False"))
    spec = importlib.util.spec_from_file_location(copy.stem, copy)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return {name: str(getattr(module, name).inspect_llvm()) for name in CALLBACKS}


_decode = quiet(jack_process._decode)
_take_inbox = quiet(jack_process._take_inbox)


@functools.cache
def decoder() -> Any:
    """Compile the reading of one JACK event of an input, where it is first needed: that takes seconds."""

    @cfunc(
        types.void(types.voidptr, types.int64, types.int64, types.CPointer(types.uint8), types.int64),
        **ENTRY_OPTIONS,
    )  # type: ignore[untyped-decorator]
    def decode(state: Any, source: Any, time: Any, data: Any, size: Any) -> None:
        _decode((jack_process.as_state(state), source, time, data, size))

    return decode.ctypes


@functools.cache
def taker() -> Any:
    """Compile the taking of other systems' messages up to a sample."""

    @cfunc(types.void(types.voidptr, types.int64), **ENTRY_OPTIONS)  # type: ignore[untyped-decorator]
    def take_inbox(state: Any, until: Any) -> None:
        _take_inbox((jack_process.as_state(state), until))

    return take_inbox.ctypes


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    decoder()
    taker()


class Client:
    """A state without a server, and the engine that it feeds."""

    def __init__(self) -> None:
        self.engine = Engine(48_000.0)
        self.state: npt.NDArray[np.void] = np.zeros((), jack_process.STATE)
        self.state["own"] = self.state.ctypes.data
        self.state["memory"] = self.engine.memory.address
        self.state["numbers"][:3] = (4, 5, 6)

    def read(self, data: bytes, time: int = 100, source: int = 0) -> None:
        room = (ctypes.c_uint8 * max(len(data), 1))(*data)
        decoder()(self.state.ctypes.data, source, time, ctypes.cast(room, ctypes.POINTER(ctypes.c_uint8)), len(data))

    def pushed(self) -> list[tuple[int, tuple[int, ...], int]]:
        ring = self.engine.record["rings"][RING_MIDI]
        rows = [ring["events"][k % RING_EVENTS] for k in range(int(ring["head"]), int(ring["tail"]))]
        ring["head"] = ring["tail"]
        return [(int(row["time"]), tuple(row["data"].tolist()), int(row["port"])) for row in rows]


@pytest.fixture(scope="module")
def client() -> Client:
    return Client()


@pytest.mark.parametrize("name", CALLBACKS)
def test_no_callback_allocates_raises_waits_or_knows_python(texts: dict[str, str], name: str) -> None:
    text = texts[name]
    known = {f"beamhand_{function}" for function in PROCESS_FUNCTIONS} | {
        "beamhand_stream",
        "beamhand_feed",
        "beamhand_push",
    }
    assert called_outside(text) <= known
    assert called_by_pointer(text) == []
    assert forbidden_names(text) == []
    assert own_errors(text) == []
    assert own_statuses(text) == []


def test_the_text_of_the_process_callback_is_all_of_it(texts: dict[str, str]) -> None:
    assert called_outside(texts["process"]) == {
        *(f"beamhand_{function}" for function in PROCESS_FUNCTIONS),
        "beamhand_stream",
        "beamhand_feed",
        "beamhand_push",
    }


@given(st.lists(st.binary(max_size=12), max_size=6))
def test_any_bytes_are_read_as_the_decoder_of_polled_ports_reads_them(client: Client, events: list[bytes]) -> None:
    for data in events:
        client.read(data)
    expected = [(100, message, 4) for data in events for message in complete_messages(data)]
    assert client.pushed() == expected


def test_a_message_does_not_go_on_from_one_event_to_the_next(client: Client) -> None:
    client.read(b"\x90\x3c")
    client.read(b"\x40")
    client.read(b"\x3c\x40")
    assert client.pushed() == []


@given(st.lists(st.tuples(st.integers(0, 2), MESSAGE), max_size=40))
def test_what_each_input_holds_is_known_as_it_is_of_polled_ports(
    client: Client, played: list[tuple[int, tuple[int, int, int]]]
) -> None:
    client.state["held"][...] = 0
    client.state["pedals"][...] = 0
    expected = [HeldKeys() for _ in range(3)]
    for source, message in played:
        client.read(bytes(message), source=source)
        for complete in complete_messages(message):
            expected[source].update(*complete)
    client.pushed()
    for source, held in enumerate(expected):
        assert np.array_equal(client.state["held"][source], held.keys)
        assert np.array_equal(client.state["pedals"][source], held.pedals)


def test_a_full_ring_counts_what_it_refuses(client: Client) -> None:
    before = int(client.engine.record["counters"]["refused_events"])
    for _ in range(RING_EVENTS + 3):
        client.read(b"\xb0\x01\x02")
    assert len(client.pushed()) == RING_EVENTS
    assert int(client.engine.record["counters"]["refused_events"]) == before + 3


def test_other_systems_messages_wait_in_the_inbox_for_their_period(client: Client) -> None:
    for time in (10, 63, 64, 200):
        event = np.array(midi_event(time, 0xB0, 1, time % 128, port=9).packed(), EVENT)
        jack_process.push(client.state.ctypes.data, event.ctypes.data)
    taker()(client.state.ctypes.data, 64)
    assert client.pushed() == [(10, (0xB0, 1, 10), 9), (63, (0xB0, 1, 63), 9)]
    taker()(client.state.ctypes.data, 1000)
    assert [time for time, _, _ in client.pushed()] == [64, 200]


def test_notices_of_the_server_are_kept(client: Client) -> None:
    address, state = client.state.ctypes.data, client.state
    before = int(state["xruns"]), int(state["graph"])
    jack_process.count_xrun.ctypes(address)
    jack_process.note_port.ctypes(7, 1, address)
    jack_process.note_period.ctypes(256, address)
    jack_process.note_rate.ctypes(96_000, address)
    jack_process.note_shutdown.ctypes(address)
    assert (int(state["xruns"]), int(state["graph"])) == (before[0] + 1, before[1] + 1)
    assert (int(state["period"]), int(state["rate"]), int(state["gone"])) == (256, 96_000, 1)
