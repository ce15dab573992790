"""From a controller to the sound: how long, and how evenly, measured from outside."""

from __future__ import annotations

from contextlib import nullcontext

import pytest
from latency_probe import PERIOD, RATE, Latency, probe
from virtual_studio import busy_cores

BLOCK_MS = PERIOD * 1000 / RATE
MEDIAN_MS = 2 * BLOCK_MS + 0.5
JITTER_MS = BLOCK_MS + 0.1
"""rtmidi stamps a message with its period and not with its frame, so that one period of jitter is there already."""

_ATTEMPTS = 3


@pytest.mark.realtime
@pytest.mark.parametrize("busy", [False, True], ids=["idle", "all cores busy"])
def test_a_control_change_is_heard_within_two_blocks_and_evenly(busy: bool) -> None:
    found: list[Latency] = []
    for _ in range(_ATTEMPTS):  # a period that the machine itself loses is no fault of the instrument
        found.append(probe(250, load=busy_cores(2) if busy else nullcontext()))
        if found[-1].jitter <= JITTER_MS and found[-1].lost == 0:
            break
    best = min(found, key=lambda latency: (latency.lost, latency.jitter))
    assert best.lost == 0, found
    assert best.median <= MEDIAN_MS, found
    assert best.jitter <= JITTER_MS, found
