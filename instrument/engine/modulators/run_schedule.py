"""The schedule of a program: tempo, modulators and links, worked out sample by sample in the order that it lists."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, kernel_named, merged, one_of
from instrument.engine.memory.layout import CHUNK, STEP_BASE, STEP_LINK
from instrument.engine.modulators.cycles import run_cycle, run_trigger
from instrument.engine.modulators.links import apply_link, begin_target, store_delayed_link
from instrument.engine.modulators.modulator_table import (
    COUNTED_CYCLE,
    MODULATOR_NONE,
    MODULATOR_TABLE,
    OWN_TIME,
    TRIGGERED,
)
from instrument.engine.modulators.tempo import hold_tempo, run_tempo
from instrument.engine.parameters import MODULATORS

_run_kernel = one_of(
    {k: kernel_named(f"modulators.{kind.kernel}") for k, kind in enumerate(MODULATOR_TABLE.values(), start=1)}
)
_CLOCKS = np.array([OWN_TIME, *(kind.clock for kind in MODULATOR_TABLE.values())], np.int64)


@merged
def run_modulator(m, p, s, number, n):
    """Fill the row of a modulator of whatever kind for n samples.

    In: the modulator's rows of parameters, the beat, the notes.
    Out: its row; what it remembers.
    Never: read a sample behind n, or a row of a link that comes later in the schedule.
    """
    kind = np.int64(p.modulators[number].kind)
    clock = _CLOCKS[kind]
    if clock != OWN_TIME:
        fired = run_trigger(m, s, number, n, clock == TRIGGERED)
        if clock != TRIGGERED:
            run_cycle(m, s, number, n, fired, clock == COUNTED_CYCLE)
    _run_kernel(kind, (m, p, s, number, n))


@compiled
def _hold_modulators(p, s):
    # Every modulator stays where it was at the latest sample.
    last = max(s.latest - 1, 0)
    for number in range(MODULATORS):
        if p.modulators[number].kind != MODULATOR_NONE:
            row = s.modulator_rows[number]
            value = row[last]
            for i in range(CHUNK):
                row[i] = value


@merged
def run_schedule(m, p, s, n):
    """Work out tempo, modulators and links of an instance for n samples.

    While it is frozen, tempo and modulators stand still. A program that begins then takes its first step beforehand.
    """
    goes = m.frozen == 0 or s.latest == 0
    if not goes:
        _hold_modulators(p, s)
    for k in range(s.n_ramping):
        s.filled[s.ramping[k]] = 1
    for k in range(p.n_steps + 1):
        if k == p.tempo_steps:
            if goes:
                run_tempo(m, p, s, n)
            else:
                hold_tempo(m, p, s, n)
        if k == p.n_steps:
            break
        index = np.int64(p.schedule[k].index)
        operation = p.schedule[k].operation
        if operation == STEP_BASE:
            begin_target(s, index, n)
        elif operation == STEP_LINK:
            apply_link(m, p, s, index, n)
        elif goes:
            run_modulator(m, p, s, index, n)
    for number in range(p.n_links):
        if goes and p.links[number].delayed != 0:
            store_delayed_link(m, p, s, np.int64(number), n)
    for k in range(s.n_ramping):
        s.filled[s.ramping[k]] = 0
    s.latest = n
