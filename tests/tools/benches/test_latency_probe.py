"""From a controller to the sound, heard from outside: what holds on any machine; how soon it is heard, the bench measures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tools.benches.latency_probe import PERIOD, RATE, Latency, probe
from tools.trials.stand_ins import busy_cores

if TYPE_CHECKING:
    from collections.abc import Callable

pytestmark = pytest.mark.realtime

EVENTS = 60


def measured(record: Callable[[str, object], None], **settings: Any) -> Latency:
    found = probe(EVENTS, load=busy_cores(2), **settings)
    record("latency", found)
    return found


@pytest.mark.parametrize("hogs", [0, 2], ids=["all cores busy", "and Python hogged in the process of the show"])
def test_through_jack_itself_every_message_takes_the_same_time_to_the_frame(
    hogs: int, record_property: Callable[[str, object], None]
) -> None:
    """A machine that is late loses whole periods of the server's; none of them moves a message within its period."""
    found = measured(record_property, audio="jack", hogs=hogs)
    assert found.events == EVENTS
    assert found.uneven <= found.xruns, found  # and none if the server has lost none
    assert found.lost <= 2 * found.xruns, found
    if not found.xruns:
        assert (found.longest - found.p1) * RATE <= 1000, found
        assert found.median * RATE <= 2000 * PERIOD, found


def test_through_portaudio_every_message_is_heard(record_property: Callable[[str, object], None]) -> None:
    found = measured(record_property, audio="system")
    assert found.events == EVENTS
    assert found.lost <= 2 * found.xruns, found
