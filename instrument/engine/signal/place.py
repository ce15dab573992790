"""Place: scale, turn and spin about each axis, move, and perspective by the distance of the eye."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.numeric.safe_math import phase_to_turns, sincos_turn, turns_to_phase
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in

_SIZE = offset_in(LAYER, "place.size")
_SCALE = offset_in(LAYER, "place.scale.x")
_TURN = offset_in(LAYER, "place.turn.x")
_SPIN = offset_in(LAYER, "place.spin.x")
_MOVE = offset_in(LAYER, "place.move.x")
_CAMERA = offset_in(LAYER, "place.camera")


@compiled
def _sum_angle(out, turn, start, step, n):
    for i in range(n):
        out[i] = turn[i] + phase_to_turns(start + np.uint64(i) * step)


@compiled
def _sum_moving_angle(out, turn, spin, start, rate, n):
    phase = start
    for i in range(n):
        out[i] = turn[i] + phase_to_turns(phase)
        phase += turns_to_phase(spin[i] / rate)
    return phase


@compiled
def run_spins(m, s, layer, n):
    """Fill a layer's angles for n samples; spinning goes on while another layer holds the beam."""
    base = layer * LAYER_SIZE
    for axis in range(3):
        turn = s.rows[base + _TURN + axis]
        spin = s.rows[base + _SPIN + axis]
        out = m.angles[layer, axis]
        phase = s.spin[layer, axis]
        if m.frozen == 0 and s.moving[base + _SPIN + axis] != 0:
            s.spin[layer, axis] = _sum_moving_angle(out, turn, spin, phase, m.rate, n)
            m.still[layer, axis] = 0
        else:
            step = np.uint64(0) if m.frozen != 0 else turns_to_phase(spin[0] / m.rate)
            _sum_angle(out, turn, phase, step, n)
            s.spin[layer, axis] = phase + np.uint64(n) * step
            m.still[layer, axis] = np.uint8(step == np.uint64(0) and s.moving[base + _TURN + axis] == 0)


@compiled
def _scale(out, size, scale, first, last):
    for i in range(first, last):
        out[i] = out[i] * (size[i] * scale[i])


@compiled
def _move(out, move, first, last):
    for i in range(first, last):
        out[i] = out[i] + move[i]


@compiled
def _rotate(a, b, angle, still, first, last):
    # Turns a towards b. A still angle only saves the sine; the arithmetic on each sample is the same.
    if still != 0:
        sine, cosine = sincos_turn(angle[first])
        for i in range(first, last):
            u = a[i] * cosine - b[i] * sine
            b[i] = a[i] * sine + b[i] * cosine
            a[i] = u
    else:
        for i in range(first, last):
            sine, cosine = sincos_turn(angle[i])
            u = a[i] * cosine - b[i] * sine
            b[i] = a[i] * sine + b[i] * cosine
            a[i] = u


@compiled
def _project(x, y, z, camera, moving, first, last):
    # The eye sits on the z axis; what is nearer to it is drawn larger. x' = x / (1 - z / distance).
    if moving == 0:
        inverse = 1.0 / camera[first]
        for i in range(first, last):
            size = 1.0 / (1.0 - z[i] * inverse)
            x[i] = x[i] * size
            y[i] = y[i] * size
    else:
        for i in range(first, last):
            size = 1.0 / (1.0 - z[i] * (1.0 / camera[i]))
            x[i] = x[i] * size
            y[i] = y[i] * size


@compiled
def run_place(m, s, layer, first, last):
    """Scale, rotate about x, then y, then z (fixed axes, right-handed), move and project.

    In: the drawing in scratch_x, y and z for samples first to last, and the layer's angles.
    Out: the same rows, z as a depth that nothing reads any more.
    Never: a division that is guarded here; what has gone to infinity is made finite in the mix.
    """
    base = layer * LAYER_SIZE
    x = m.scratch_x
    y = m.scratch_y
    z = m.scratch_z
    size = s.rows[base + _SIZE]
    _scale(x, size, s.rows[base + _SCALE], first, last)
    _scale(y, size, s.rows[base + _SCALE + 1], first, last)
    _scale(z, size, s.rows[base + _SCALE + 2], first, last)
    _rotate(y, z, m.angles[layer, 0], m.still[layer, 0], first, last)
    _rotate(z, x, m.angles[layer, 1], m.still[layer, 1], first, last)
    _rotate(x, y, m.angles[layer, 2], m.still[layer, 2], first, last)
    _move(x, s.rows[base + _MOVE], first, last)
    _move(y, s.rows[base + _MOVE + 1], first, last)
    _move(z, s.rows[base + _MOVE + 2], first, last)
    _project(x, y, z, s.rows[base + _CAMERA], s.moving[base + _CAMERA], first, last)
