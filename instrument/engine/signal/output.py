"""The output section, and the guard that nothing passes."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.memory.layout import DELAY
from instrument.engine.numeric.safe_math import clamp, finite
from instrument.engine.parameters import PATCH, PATCH_BASE, offset_in

_LEVEL = PATCH_BASE + offset_in(PATCH, "output.level")
_SWAP = PATCH_BASE + offset_in(PATCH, "output.swap")
_INVERT = PATCH_BASE + offset_in(PATCH, "output.invert.x")
_GAIN = PATCH_BASE + offset_in(PATCH, "output.gain.x")
_OFFSET = PATCH_BASE + offset_in(PATCH, "output.offset.x")
_DELAY = PATCH_BASE + offset_in(PATCH, "output.delay.x")
_AC = PATCH_BASE + offset_in(PATCH, "output.ac")
_CORNER = PATCH_BASE + offset_in(PATCH, "output.corner")
LONGEST_DELAY = float(DELAY - 4)
"""Samples; a longer delay dialled in stays here."""

_SMALLEST = 1e-30
"""Below this a decaying filter is silent; it keeps subnormals away where the processor cannot."""

_HEADROOM = 4.0
"""Full scales that the DC removal works on; what is beyond would take it long to forget."""

KNEE = PATCH_BASE + offset_in(PATCH, "output.knee")
LIMIT = PATCH_BASE + offset_in(PATCH, "output.limit")


@compiled
def swap_channels(x, y, swap, level, n):
    """Set the level of n samples of two channels in place, and exchange the channels as far as `swap` says."""
    for i in range(n):
        a = x[i] * level[i]
        b = y[i] * level[i]
        keep = 1.0 - swap[i]
        x[i] = finite(a * keep + b * swap[i])
        y[i] = finite(b * keep + a * swap[i])


@compiled
def adjust_channel(signal, invert, gain, offset, n):
    """Turn n samples of one channel over, scale and shift them, in place."""
    for i in range(n):
        signal[i] = finite(signal[i] * ((1.0 - 2.0 * invert[i]) * gain[i]) + offset[i])


@inlined
def _pole(corner, rate):
    half = clamp(np.pi * corner / rate, 1e-9, 1.0)
    return (1.0 - half) / (1.0 + half)


@compiled
def _remove_dc(s, x, y, amount, corner, moving, rate, n):
    # First-order high-pass, zero at DC: y[i] = (1 + a) / 2 (x[i] - x[i-1]) + a y[i-1], the bilinear
    # transform of s / (s + w) (J. O. Smith, Introduction to Digital Filters, 2007, appendix I).
    # Its input is bounded and its gain at most 1, so the state needs no check of its own; after an
    # absurd number it settles as fast as its corner frequency says, as a coupling capacitor does.
    in_x = s.dc_in[0]
    in_y = s.dc_in[1]
    out_x = s.dc_out[0]
    out_y = s.dc_out[1]
    pole = _pole(corner[0], rate)
    for i in range(n):
        if moving != 0:
            pole = _pole(corner[i], rate)
        gain = 0.5 * (1.0 + pole)
        now_x = clamp(x[i], -_HEADROOM, _HEADROOM)
        now_y = clamp(y[i], -_HEADROOM, _HEADROOM)
        out_x = gain * (now_x - in_x) + pole * out_x
        out_y = gain * (now_y - in_y) + pole * out_y
        out_x = out_x if abs(out_x) > _SMALLEST else 0.0
        out_y = out_y if abs(out_y) > _SMALLEST else 0.0
        in_x = now_x
        in_y = now_y
        keep = 1.0 - amount[i]
        x[i] = finite(x[i] * keep + out_x * amount[i])
        y[i] = finite(y[i] * keep + out_y * amount[i])
    s.dc_in[0] = in_x
    s.dc_in[1] = in_y
    s.dc_out[0] = out_x
    s.dc_out[1] = out_y


@inlined
def _taps(delay):
    # Third-order Lagrange interpolation (T. I. Laakso, V. Valimaki, M. Karjalainen, U. K. Laine,
    # Splitting the unit delay, 1996); exact for whole samples, so that a delay of 0 changes no bit.
    d = clamp(delay, 0.0, LONGEST_DELAY)
    first = np.floor(d) - 1.0
    first = first if first > 0.0 else 0.0
    u = d - first
    wa = (1.0 - u) * (2.0 - u) * (3.0 - u) / 6.0
    wb = u * (2.0 - u) * (3.0 - u) / 2.0
    wc = -u * (1.0 - u) * (3.0 - u) / 2.0
    we = u * (1.0 - u) * (2.0 - u) / 6.0
    return np.int64(first), wa, wb, wc, we


@compiled
def delay_channel(line, at, signal, delay, moving, n):
    """Delay n samples of one channel, in place, by `delay` samples each; return where the line is written next.

    Between samples by third-order Lagrange interpolation (`_taps`); `moving` is 0 where the delay is the same for all.
    """
    if moving == 0 and delay[0] == 0.0:
        for i in range(n):
            line[(at + i) & (DELAY - 1)] = signal[i]
            signal[i] = signal[i] + 0.0  # the sum below turns a negative zero positive, so this must
        return (at + n) & (DELAY - 1)
    back, wa, wb, wc, we = _taps(delay[0])
    for i in range(n):
        if moving != 0:
            back, wa, wb, wc, we = _taps(delay[i])
        line[at] = signal[i]
        k = at - back
        a = line[k & (DELAY - 1)]
        b = line[(k - 1) & (DELAY - 1)]
        c = line[(k - 2) & (DELAY - 1)]
        e = line[(k - 3) & (DELAY - 1)]
        signal[i] = a * wa + b * wb + c * wc + e * we
        at = (at + 1) & (DELAY - 1)
    return at


@compiled
def run_output(m, s, n):
    """Turn mix_x and mix_y, in place, into what the two channels carry (before the guard).

    In: the mix and the rows of `output`. Out: the same rows; DC filters and delay lines moved on.
    Never: keep anything beyond _HEADROOM full scales, which a filter would take long to forget.
    """
    x = m.scratch_mix_x
    y = m.scratch_mix_y
    swap_channels(x, y, s.rows[_SWAP], s.rows[_LEVEL], n)
    adjust_channel(x, s.rows[_INVERT], s.rows[_GAIN], s.rows[_OFFSET], n)
    adjust_channel(y, s.rows[_INVERT + 1], s.rows[_GAIN + 1], s.rows[_OFFSET + 1], n)
    _remove_dc(s, x, y, s.rows[_AC], s.rows[_CORNER], s.moving[_CORNER], m.rate, n)
    delay_channel(s.delay[0], s.delay_at, x, s.rows[_DELAY], s.moving[_DELAY], n)
    s.delay_at = delay_channel(s.delay[1], s.delay_at, y, s.rows[_DELAY + 1], s.moving[_DELAY + 1], n)


@inlined
def guard(value, knee, limit):
    """Return value unchanged up to the knee, bent towards the limit above it, never beyond.

    Above the knee: knee + span * over / (span + over), with over the excess and span = limit - knee;
    its slope begins at 1, so there is no edge.
    """
    top = clamp(limit, 0.0, 1.0)
    corner = clamp(knee, 0.0, top)
    v = finite(value)
    size = abs(v)
    over = size - corner
    span = top - corner
    bent = corner + span * over / (span + over)
    bent = bent if bent < top else top
    bent = bent if v > 0.0 else -bent
    return v if size <= corner else bent


@compiled
def run_guard(signal, knee, limit, n):
    """Guard n samples of one channel in place."""
    for i in range(n):
        signal[i] = guard(signal[i], knee[i], limit[i])
