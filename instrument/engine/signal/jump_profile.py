"""Jumps of paths that do not ring: each takes the samples that a band-limited signal needs, and lands as the stroke goes on.

The table of points holds strokes alone, with each jump between two of its points. A position of the pen is first laid on
strokes and jumps at the present pace: each jump takes its samples, strokes share the rest of the cycle evenly. Within a jump
of distance d between strokes that run at v and w a sample, the way is

    p(s) = start + d f(s) + T v g(s) - T w g(1 - s),  0 <= s <= 1, T samples,

    f(s) = 1/2 + (c1 u + c3 u**3 + c5 u**5) / 2,  u = 2 s - 1,  c1 + c3 + c5 = 1,
    g(s) = s (1 - s)**2 (0.92 + 0.53 s),

that is, a quintic whose slopes at the ends are nearly those of the strokes. Its shares ring least behind the filter of a
converter: `jump_table` has those of f, and how they were found; those of g were found in the same way for a stroke that begins
or ends at so many samples from rest.
"""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.numeric.safe_math import clamp, wrap_turn
from instrument.engine.signal.frame_clock import turn_pages
from instrument.engine.signal.jump_table import HEAD, ROW

_SLOPE = 0.92
_RISE = 0.53


@inlined
def _beginning(pool, rows, j, step, pace):
    # Where jump j begins, as a share of the cycle: behind the steps of strokes and the jumps before it.
    at = rows + np.uint64(j) * np.uint64(ROW)
    return (pool[at] - j) * step + pool[at + np.uint64(1)] * pace


@compiled
def _latest_jump(pool, rows, count, place, step, pace):
    # The last one that has begun, by halving; -1 before the first.
    low = np.int64(-1)
    high = count
    while high - low > 1:
        middle = (low + high) >> 1
        if _beginning(pool, rows, middle, step, pace) <= place:
            low = middle
        else:
            high = middle
    return low


@inlined
def _is_at(pool, rows, count, j, place, step, pace):
    # Whether jump j is the last one that has begun.
    begun = j < 0 or _beginning(pool, rows, j, step, pace) <= place
    return begun and (j + 1 >= count or _beginning(pool, rows, j + 1, step, pace) > place)


@inlined
def _coordinate(pool, at, k, f, before, leaving, after, landing):
    a = pool[at + k]
    b = pool[at + k + np.uint64(1)]
    return a + f * (b - a) + (leaving * (a - pool[at + before]) + landing * (pool[at + after] - b))


@inlined
def _head(layer, number):
    # Where the table of a frame's jumps begins.
    return np.uint64(layer.jump_table) + np.uint64(number) * np.uint64(HEAD + ROW * np.int64(layer.jump_rows))


@inlined
def _laid_out(pool, layer, number, pace):
    # Jumps in a frame, the pace that they are laid by, and the share of the cycle for a step of a stroke: what jumps
    # leave, evenly.
    head = _head(layer, number)
    count = np.int64(clamp(pool[head], 0.0, np.float64(layer.jump_rows)))
    kept = clamp(pace, 0.0, pool[head + np.uint64(2)])
    return count, kept, (1.0 - pool[head + np.uint64(1)] * kept) / (layer.points - count)


@compiled
def _eased(pool, layer, number, place, count, pace, step, guess):
    """Return x, y and z at a place of a frame's cycle, and the latest jump as a guess for the next sample.

    In: place from 0 to 1, the frame as `_laid_out`, a guess from -1.
    Out: the point.
    Never: depend on the guess, which only saves the search.
    """
    one = np.uint64(1)
    points = layer.points
    last = np.uint64(points - 1)
    stride = np.uint64(points + 1)
    at = np.uint64(layer.path) + np.uint64(number) * (np.uint64(3) * stride)
    rows = _head(layer, number) + np.uint64(HEAD)
    j = guess if guess < count else np.int64(-1)
    if not _is_at(pool, rows, count, j, place, step, pace):
        j = _latest_jump(pool, rows, count, place, step, pace)
    # On a stroke: points passed before it, and the way since.
    passed = 0.0
    gone = place
    leaving = landing = 0.0
    leaps = False
    f = 0.0
    k = np.uint64(0)
    if j >= 0:
        row = rows + np.uint64(j) * np.uint64(ROW)
        gone = place - _beginning(pool, rows, j, step, pace)
        lasts = pool[row + np.uint64(2)] * pace
        leaps = gone < lasts
        if leaps:
            k = np.uint64(np.int64(clamp(pool[row], 0.0, points - 1.0)))
            s = gone / lasts
            r = 1.0 - s
            u = s - r
            square = u * u
            third = pool[row + np.uint64(3)]
            fifth = pool[row + np.uint64(4)]
            f = 0.5 + 0.5 * u * ((1.0 - third - fifth) + square * (third + square * fifth))
            steps = lasts / step
            leaving = steps * (s * r * r * (_SLOPE + _RISE * s))
            landing = -steps * (r * s * s * (_SLOPE + _RISE * r))
        else:
            passed = pool[row] + 1.0
            gone = gone - lasts
    if not leaps:
        along = passed + gone / step
        k = np.uint64(np.int64(clamp(along, 0.0, points - 1.0)))
        f = clamp(along - k, 0.0, 1.0)
    # The path is closed: its last point is its first.
    before = k - one if k > np.uint64(0) else last
    after = k + np.uint64(2) if k < last else one
    x = _coordinate(pool, at, k, f, before, leaving, after, landing)
    y = _coordinate(pool, at + stride, k, f, before, leaving, after, landing)
    z = _coordinate(pool, at + stride + stride, k, f, before, leaving, after, landing)
    return x, y, z, j


@compiled
def ease_frame(m, row, number, first, last):
    """Fill x, y and z for samples first to last from one frame of a path, laid out anew only where the pace changes.

    In: the pen's position and its pace, the frame's number, which must be one. Out: x, y and z. Never: another frame.
    """
    x, y, z = m.scratch_x, m.scratch_y, m.scratch_z
    guess = np.int64(-1)
    latest = np.nan
    count, pace, step = _laid_out(m.pool, row, number, 0.0)
    for i in range(first, last):
        if m.scratch_pace[i] != latest:
            latest = m.scratch_pace[i]
            count, pace, step = _laid_out(m.pool, row, number, latest)
        x[i], y[i], z[i], guess = _eased(
            m.pool, row, number, wrap_turn(m.scratch_position[i]), count, pace, step, guess
        )


@compiled
def _ease_frames(m, row, first, last):
    x, y, z = m.scratch_x, m.scratch_y, m.scratch_z
    frames = row.frames
    guess = np.int64(-1)
    next_guess = np.int64(-1)
    for i in range(first, last):
        place = wrap_turn(m.scratch_position[i])
        number = np.int64(clamp(m.scratch_page[i], 0.0, frames - 1.0))
        share = m.scratch_share[i]
        following = number + 1 if number + 1 < frames else np.int64(0)
        count, pace, step = _laid_out(m.pool, row, number, m.scratch_pace[i])
        a, b, c, guess = _eased(m.pool, row, number, place, count, pace, step, guess)
        count, pace, step = _laid_out(m.pool, row, following, m.scratch_pace[i])
        d, e, f, next_guess = _eased(m.pool, row, following, place, count, pace, step, next_guess)
        x[i] = a + share * (d - a)
        y[i] = b + share * (e - b)
        z[i] = c + share * (f - c)


@compiled
def draw_eased(m, p, s, layer, first, last):
    """Fill x, y and z for samples first to last from strokes, or the frames of a flip-book, with eased jumps between.

    Each frame is laid on the cycle by its own jumps, at the pen's place in it; two frames are blended point by point after that.

    In: the pen's position and its pace (any numbers), the rows of frame and blend.
    Out: scratch_x, y and z.
    Never: remember anything, so that what is drawn depends on the sample alone.
    """
    row = p.layers[layer]
    if row.frames > 1:
        turn_pages(m, p, s, layer, first, last)
        _ease_frames(m, row, first, last)
    else:
        ease_frame(m, row, np.int64(0), first, last)
