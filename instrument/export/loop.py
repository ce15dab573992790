"""A seamless loop of one round of a patch's movement, as a small moving picture for sharing."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from instrument.beam.light import as_rgb
from instrument.beam.pictures import FrameSource
from instrument.engine.forms.form_table import FORM_TABLE
from instrument.engine.formulas.instructions import OPERATION_NUMBERS, modulator_location
from instrument.engine.memory.layout import RING_PERFORM
from instrument.engine.memory.views import active_program
from instrument.engine.modulators.modulator_table import COUNTED_CYCLE, CYCLE, MODULATOR_ENVELOPE, MODULATOR_TABLE
from instrument.engine.parameters import LAYERS, MODULATORS
from instrument.engine.signal.source_table import SOURCE_NONE, SOURCE_TABLE
from instrument.export.sound import ExportError, atomic_output

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt

    from instrument.beam.look import Look
    from instrument.engine.engine import Engine, Event

    Picture = npt.NDArray[np.uint8]

FRAMES_PER_SECOND = 25
"""A GIF counts in hundredths of a second, and many programs show nothing faster than this."""

BLEND_SECONDS = 0.6
"""In which the end of a loop that does not come round turns into its beginning."""

_MOST_PIXELS = 1 << 28

LONGEST_SECONDS = 20.0
"""Of a loop; a patch that takes longer to come round is cut and closed with a cross-fade."""

STILL_SECONDS = 1.0
"""Of the loop of a patch in which nothing moves."""

DRIFT_SECONDS = 6.0
"""Of the loop of a patch whose only movement never comes round: chance, a formula of time, the live input."""

_FINEST = 1000
"""Largest denominator of a rate in turns a second that is taken as meant."""

_MODULATORS = dict(enumerate(MODULATOR_TABLE.values(), start=1))
_CYCLIC = {k for k, kind in _MODULATORS.items() if kind.clock in {CYCLE, COUNTED_CYCLE}}
_TURNING = {k for k in _CYCLIC if _MODULATORS[k].repeats}
_BY_CHANCE = _CYCLIC - _TURNING
_NOISY = {k for k, kind in enumerate(FORM_TABLE.values()) if not kind.repeats}
_INPUTS = {k for k, kind in enumerate(SOURCE_TABLE.values(), start=1) if kind.hears_input}
_TRIGGER_BEAT = 2.0
_ENDLESS = {modulator_location(name, 0) for name in ("beat", "n", "left", "right")}
"""Rows that a formula reads and that do not come round."""


def export_loop(
    engine: Engine,
    path: Path,
    events: list[Event],
    size: int,
    seconds: float | None = None,
    look: Look | None = None,
) -> float:
    """Render one round and write it as a loop that runs for ever; the file appears only when it is complete.

    Parameters
    ----------
    engine : Engine
        With its program already changed to.
    path : Path
        ``.gif`` or ``.webp``.
    events : list of Event
        Played before the loop begins.
    size : int
        Width and height in pixels.
    seconds : float, optional
        Length; one round by default.
    look : Look, optional

    Returns
    -------
    float
        Seconds of the loop.

    Raises
    ------
    ExportError
        If it would be too large, or the file cannot be written; an older file of that name is kept.
    """
    last = max((event.time for event in events), default=0)
    engine.render(last + round(BLEND_SECONDS * engine.rate), events=events, ring=RING_PERFORM)
    period, closes = period_of(engine) if seconds is None else (max(seconds, 1 / FRAMES_PER_SECOND), False)
    count = max(round(period * FRAMES_PER_SECOND), 1)
    if count * size * size > _MOST_PIXELS:
        fitting = math.isqrt(_MOST_PIXELS // count)
        raise ExportError(
            f"{path}: {count} frames of {size} pixels are too much for a loop; use --size {fitting} or less"
        )
    blended = 0 if closes else min(round(BLEND_SECONDS * FRAMES_PER_SECOND), count)
    frames = _close(_frames(engine, period, count, count + blended, size, look), count)
    images = [Image.fromarray(frame) for frame in frames]
    # Both formats repeat for ever at 0; a GIF's times are whole hundredths of a second.
    duration = max(round(1000 * period / count), 20)
    with atomic_output(path, ending=path.suffix.lower()) as part:
        images[0].save(part, save_all=True, append_images=images[1:], duration=duration, loop=0, quality=85)
    return period


def _frames(engine: Engine, period: float, count: int, total: int, size: int, look: Look | None) -> list[Picture]:
    # The round before leaves its afterglow, so that the first frame looks like the one after the last.
    before = min(count, FRAMES_PER_SECOND)
    begin = engine.time
    # Exact fractions, so that every frame ends where the samples do.
    frame_rate = Fraction(count) / Fraction(period)
    source = FrameSource(engine.rate, frame_rate, size, size, look)
    found: list[Picture] = []
    for k in range(1, before + total + 1):
        samples = engine.render(begin + round(k * Fraction(engine.rate) / frame_rate) - engine.time)
        found += [as_rgb(frame) for frame in source.feed(samples) if k > before]
    return found


def _close(frames: list[Picture], count: int) -> list[Picture]:
    # What follows the last frame fades into the first ones, so that the end leads into the beginning.
    extra = frames[count:]
    closed = frames[:count]
    for k, later in enumerate(extra):
        weight = (k + 1) / (len(extra) + 1)
        mixed = closed[k] * weight + later * (1 - weight)
        closed[k] = np.rint(mixed).astype(np.uint8)
    return closed


def period_of(engine: Engine) -> tuple[float, bool]:
    """Return how long a patch takes to come round, and whether it really does.

    Rates of modulators in use and of turning layers decide; how the pen runs through the drawing does not, since a
    picture shows whole rounds of it anyway.

    Parameters
    ----------
    engine : Engine
        That plays the patch.

    Returns
    -------
    float
        Seconds, at most `LONGEST_SECONDS`.
    bool
        False where the rates have no common round so short, or something moves that never comes round.
    """
    values = engine.values()
    program = active_program(engine.record)
    if program is None:
        raise ValueError("the engine plays nothing; play a patch first")
    found = [Fraction(rate).limit_denominator(_FINEST) for rate in _rates(values, program)]
    rates = [rate for rate in found if rate > 0]
    drifts = _drifts(values, program)
    if not rates:
        return (DRIFT_SECONDS, False) if drifts else (STILL_SECONDS, True)
    common = rates[0]
    for rate in rates[1:]:
        denominator = math.lcm(common.denominator, rate.denominator)
        common = Fraction(math.gcd(int(common * denominator), int(rate * denominator)), denominator)
    period = float(1 / common)
    # Fast rounds are shown several at a time, so that no frame is left out.
    period *= math.ceil(STILL_SECONDS / period)
    return (period, not drifts) if period <= LONGEST_SECONDS else (LONGEST_SECONDS, False)


def _rates(values: dict[str, float], program: npt.NDArray[np.void]) -> list[float]:
    # Turns a second of everything that moves by itself.
    beats = values["tempo.bpm"] / 60 if values["tempo.running"] >= 0.5 else 0.0
    found = [
        values[f"layer.{layer + 1}.place.spin.{axis}"]
        for layer in range(LAYERS)
        if program["layers"]["source"][layer] != SOURCE_NONE
        for axis in "xyz"
    ]
    for number in range(MODULATORS):
        kind = int(program["modulators"]["kind"][number])
        stem = f"mod.{number + 1}."
        if kind in _TURNING and values[f"{stem}once"] < 0.5:
            found.append(values[f"{stem}rate"] * (beats if values[f"{stem}sync"] >= 0.5 else 1.0))
        if kind in _TURNING | {MODULATOR_ENVELOPE} and values[f"{stem}trigger"] == _TRIGGER_BEAT:
            every = values[f"{stem}every"]
            found.append(beats / every if every > 0 else 0.0)
    return [abs(rate) for rate in found if math.isfinite(rate)]


def _drifts(values: dict[str, float], program: npt.NDArray[np.void]) -> bool:
    layers = program["layers"]
    noisy = any(
        layers["source"][layer] != SOURCE_NONE
        and not _NOISY.isdisjoint(layers["forms"][layer][: int(layers["n_forms"][layer])].tolist())
        for layer in range(LAYERS)
    )
    kinds = program["modulators"]["kind"].tolist()
    chance = any(kind in _BY_CHANCE and values[f"mod.{number + 1}.rate"] != 0 for number, kind in enumerate(kinds))
    code = program["code"][: int(program["n_code"])]
    reads_time = bool((code["operation"] == OPERATION_NUMBERS["time"]).any())
    reads_on = not _ENDLESS.isdisjoint(code["operands"].ravel().tolist())
    return noisy or chance or reads_time or reads_on or not _INPUTS.isdisjoint(layers["source"].tolist())
