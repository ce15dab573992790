"""The envelope: delay, attack, hold, decay, sustain and release, each on its sample."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.numeric.fixed_point import distance, moved_on
from instrument.engine.numeric.safe_math import bent, choice, clamp, finite
from instrument.engine.parameters import MODULATOR, MODULATOR_BASE, MODULATOR_SIZE, offset_in

_SYNC = offset_in(MODULATOR, "sync")
_ONCE = offset_in(MODULATOR, "once")
_ATTACK = offset_in(MODULATOR, "attack")
_RELEASE = offset_in(MODULATOR, "release")
_DELAY = offset_in(MODULATOR, "delay")
_HOLD = offset_in(MODULATOR, "hold")
_DECAY = offset_in(MODULATOR, "decay")
_SUSTAIN = offset_in(MODULATOR, "sustain")
_BEND_ATTACK = offset_in(MODULATOR, "bend.attack")
_BEND_DECAY = offset_in(MODULATOR, "bend.decay")
_BEND_RELEASE = offset_in(MODULATOR, "bend.release")
_LOOP = offset_in(MODULATOR, "loop")

IDLE, DELAY, ATTACK, HOLD, DECAY, SUSTAIN, RELEASE = range(7)

_MOST = 8
"""Stages that may pass within a sample; a loop of no length stops there until the next one."""

_SLACK = 1e-6
"""Samples by which a stage may be over early: 0.07 s at 48 kHz is 3360.0000000000005 samples, and means 3360."""


@inlined
def _length(rows, base, stage, i, unit):
    # Of a stage, in samples or beats; the sustained level and rest have none.
    length = rows[base + _DELAY, i]
    length = rows[base + _ATTACK, i] if stage == ATTACK else length
    length = rows[base + _HOLD, i] if stage == HOLD else length
    length = rows[base + _DECAY, i] if stage == DECAY else length
    length = rows[base + _RELEASE, i] if stage == RELEASE else length
    return length * unit if length > 0.0 else 0.0


@compiled
def run_envelope(m, p, s, number, n):
    """Fill a modulator's row for n samples; a stage begins on the sample nearest behind the end of the one before.

    What is left of a sample at the end of a stage counts for the next one, so that stages and loops add up.
    A trigger goes on from the level that the envelope has.
    """
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    rows = s.rows
    state = s.modulator[number]
    out = s.modulator_rows[number]
    stage, level, start = state.stage, state.level, state.start
    origin_whole, origin_part = state.origin_whole, state.origin_part
    for i in range(n):
        synced = np.int64(choice(rows[base + _SYNC, i], 2))
        once = choice(rows[base + _ONCE, i], 2) != 0
        whole = m.beat_whole[i] if synced != 0 else m.time - m.still_time + i
        part = m.beat_part[i] if synced != 0 else np.uint64(0)
        unit = 1.0 if synced != 0 else m.rate
        slack = _SLACK * abs(m.beat_step[i]) if synced != 0 else _SLACK
        sustain = finite(rows[base + _SUSTAIN, i])
        begins = synced != state.sync
        state.sync = synced
        if m.fires[i] != 0:
            stage, start, begins = DELAY, level, True
        elif m.open[i] == 0 and not once and stage != IDLE and stage != RELEASE:
            stage, start, begins = RELEASE, level, True
        elapsed = distance(whole, part, origin_whole, origin_part)
        if begins or not (elapsed >= 0.0):
            origin_whole, origin_part = whole, part
            elapsed = 0.0
        length = 0.0
        passed = 0
        while stage != IDLE:
            if stage == SUSTAIN:
                if not once:
                    break
                length = 0.0
            else:
                length = _length(rows, base, stage, i, unit)
            if elapsed + slack < length:
                break
            origin_whole, origin_part = moved_on(origin_whole, origin_part, length)
            elapsed = max(elapsed - length, 0.0)
            if stage == DECAY and choice(rows[base + _LOOP, i], 2) != 0 and not once:
                stage, start = DELAY, sustain
            elif stage == SUSTAIN:
                stage, start = RELEASE, sustain
            elif stage == RELEASE:
                stage, start = IDLE, 0.0
            else:
                stage += 1
            passed += 1
            if passed == _MOST:
                origin_whole, origin_part = whole, part
                elapsed = 0.0
                break
        u = clamp(elapsed / length, 0.0, 1.0) if length > 0.0 else 0.0
        level = start if stage == DELAY else 0.0
        if stage == ATTACK:
            level = start + (1.0 - start) * bent(u, rows[base + _BEND_ATTACK, i])
        elif stage == HOLD:
            level = 1.0
        elif stage == DECAY:
            level = 1.0 + (sustain - 1.0) * bent(u, rows[base + _BEND_DECAY, i])
        elif stage == SUSTAIN:
            level = sustain
        elif stage == RELEASE:
            level = start * (1.0 - bent(u, rows[base + _BEND_RELEASE, i]))
        level = finite(level)
        out[i] = level
    state.stage, state.level, state.start = stage, level, start
    state.origin_whole, state.origin_part = origin_whole, origin_part
