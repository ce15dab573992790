"""The schedule of a program: tempo, modulators and links, worked out sample by sample in the order that it lists."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, merged
from instrument.engine.compiling.units import FORMULA
from instrument.engine.formulas.instructions import MODULATOR_LOCATION
from instrument.engine.memory.layout import (
    CHUNK,
    MODULATOR_CURVE,
    MODULATOR_ENVELOPE,
    MODULATOR_FOLLOWER,
    MODULATOR_FORMULA,
    MODULATOR_GESTURE,
    MODULATOR_LFO,
    MODULATOR_NONE,
    MODULATOR_NOTE,
    MODULATOR_RANDOM,
    MODULATOR_STEPS,
    STEP_BASE,
    STEP_LINK,
)
from instrument.engine.memory.machine import address_of
from instrument.engine.modulators.cycles import run_cycle, run_lfo, run_trigger
from instrument.engine.modulators.envelope import run_envelope
from instrument.engine.modulators.followers import run_follower, run_note
from instrument.engine.modulators.gesture import run_gesture
from instrument.engine.modulators.links import apply_link, begin_target, store_delayed_link
from instrument.engine.modulators.sequences import run_curve, run_random, run_steps
from instrument.engine.modulators.tempo import hold_tempo, run_tempo
from instrument.engine.parameters import MODULATORS

_run_formula = FORMULA.call


@compiled
def run_formula_modulator(m, p, s, number, n):
    """Fill a modulator's row for n samples; turns and cycles hold its place in the cycle and the cycle's number."""
    row = p.modulators[number]
    if row.instructions == 0:
        for i in range(n):
            s.modulator_rows[number, i] = 0.0
        return
    location = np.int64(MODULATOR_LOCATION) + CHUNK * number
    _run_formula(
        address_of(m),
        np.int64(s.number),
        np.int64(row.code),
        np.int64(row.instructions),
        location,
        np.int64(0),
        np.int64(n),
    )


@merged
def run_modulator(m, p, s, number, n):
    """Fill the row of a modulator of whatever kind for n samples."""
    kind = p.modulators[number].kind
    if kind != MODULATOR_FOLLOWER and kind != MODULATOR_NOTE:
        fired = run_trigger(m, s, number, n, kind == MODULATOR_ENVELOPE)
        if kind != MODULATOR_ENVELOPE:
            counts = kind in (MODULATOR_STEPS, MODULATOR_RANDOM, MODULATOR_FORMULA)
            run_cycle(m, s, number, n, fired, counts)
    if kind == MODULATOR_LFO:
        run_lfo(m, s, number, n)
    elif kind == MODULATOR_ENVELOPE:
        run_envelope(m, s, number, n)
    elif kind == MODULATOR_CURVE:
        run_curve(m, p, s, number, n)
    elif kind == MODULATOR_STEPS:
        run_steps(m, p, s, number, n)
    elif kind == MODULATOR_RANDOM:
        run_random(m, s, number, n)
    elif kind == MODULATOR_FOLLOWER:
        run_follower(m, s, number, n)
    elif kind == MODULATOR_GESTURE:
        run_gesture(m, p, s, number, n)
    elif kind == MODULATOR_NOTE:
        run_note(m, s, number, n)
    elif kind == MODULATOR_FORMULA:
        run_formula_modulator(m, p, s, number, n)


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
