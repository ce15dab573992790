"""A value of a voice on its straight way to another one."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled


@compiled
def put(g, value):
    """Let it stand at a value."""
    g.now = g.start = g.target = value
    g.done = g.length = 0


@compiled
def aim(g, target, samples):
    """Send it from where it is to a target, in so many samples."""
    if target == g.target:
        return
    g.start = g.now
    g.target = target
    g.done = 0
    g.length = samples
    if samples <= 0:
        put(g, target)


@compiled
def moves(g):
    """Return whether it is under way."""
    return g.done < g.length


@compiled
def advance(g, out, n):
    """Add its next n samples to a row; the first has already moved, the last of the way is the target itself."""
    if g.done >= g.length:
        for i in range(n):
            out[i] += g.target
        g.now = g.target
        return
    value = g.target
    for i in range(n):
        step = g.done + 1 + i
        weight = step / g.length
        value = g.target if step >= g.length else (1.0 - weight) * g.start + weight * g.target
        out[i] += value
    g.now = value
    g.done += n
