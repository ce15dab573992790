"""Measurement of a sound: all meters in one pass over it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.measure.beam_motion import Dwell, Jumps
from instrument.measure.cautions import warnings_for
from instrument.measure.cycle import Cycle
from instrument.measure.flash_monitor import FlashMeter, FlashTrace
from instrument.measure.levels import Levels, TruePeak, gain_to_db
from instrument.measure.loudness import MOMENTARY, SHORT_TERM, Loudness, channel_weights
from instrument.measure.sound_reader import Second, SoundError, SoundReader
from instrument.measure.spectrum import Spectrum

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    import numpy.typing as npt

    Progress = Callable[[float], None]

AUDIBLE = 20_000.0
"""Hertz above which nobody hears (common practice, no source)."""

PASSED = 0.45
"""Share of the sample rate up to which converters pass everything (common practice, no source)."""


@dataclass(frozen=True)
class Figures:
    """Figures of a sound. Lists have one value for each channel and are linear; shares run from 0 to 1.

    Attributes
    ----------
    rate, frames, channels : int
    seconds : float
    peak, rms, dc : list of float
    dc_second : list of float
        Largest mean over any second, without its sign.
    crest_db : float or None
        Peak over RMS of the channel with the largest peak.
    true_peak : list of float
    true_peak_dbtp : float or None
        The largest of them in decibels.
    loudness_lufs, momentary_lufs, short_term_lufs : float or None
        Gated over all, and the loudest 400 ms and 3 s.
    correlation : float or None
        Of the first two channels, -1 to 1.
    flashes_per_second : int
        Most general flashes in any second.
    flash_area : float
        Largest share of a field of view of 10 degrees that changed together.
    dwell_hotspot : float
        Share of the light in the brightest hundredth of the screen.
    resting_time : float
        Share of the time.
    longest_rest : float
        Seconds.
    jumps_per_second : float
    jump_time : float
        Share of the time.
    points_per_cycle : float or None
    energy_above_20k, energy_above_045 : float
        Share of the energy above 20 kHz and above 0.45 of the sample rate.
    nonfinite : int
        Samples that were not finite and are left out of everything else.
    """

    rate: int
    frames: int
    channels: int
    seconds: float
    peak: list[float]
    rms: list[float]
    dc: list[float]
    dc_second: list[float]
    crest_db: float | None
    true_peak: list[float]
    true_peak_dbtp: float | None
    loudness_lufs: float | None
    momentary_lufs: float | None
    short_term_lufs: float | None
    correlation: float | None
    flashes_per_second: int
    flash_area: float
    dwell_hotspot: float
    resting_time: float
    longest_rest: float
    jumps_per_second: float
    jump_time: float
    points_per_cycle: float | None
    energy_above_20k: float
    energy_above_045: float
    nonfinite: int


@dataclass(frozen=True)
class Traces:
    """Traces that a report draws.

    Attributes
    ----------
    peaks : np.ndarray [shape=(n, channels)]
        Of each tenth of a second, linear.
    momentary, short_term : np.ndarray
        LUFS, each value at the tenth of a second it ends in; -inf for silence.
    flashes : FlashTrace
    frequencies, density : np.ndarray [shape=(lines,) and (lines, channels)]
        Hertz, and full scale squared a hertz.
    cells : np.ndarray [shape=(CELLS, CELLS)]
        Samples spent in each cell of the screen, row 0 at the bottom.
    loudest : np.ndarray [shape=(m, 2), dtype=float32]
        The second with most energy: what steered the beam in it.
    loudest_at : int
        When it began, in seconds.
    """

    peaks: npt.NDArray[np.float64]
    momentary: npt.NDArray[np.float64]
    short_term: npt.NDArray[np.float64]
    flashes: FlashTrace
    frequencies: npt.NDArray[np.float64]
    density: npt.NDArray[np.float64]
    cells: npt.NDArray[np.float64]
    loudest: npt.NDArray[np.float32]
    loudest_at: int


@dataclass(frozen=True)
class Measurement:
    """A sound's figures, what they warn of, and what a report draws."""

    figures: Figures
    warnings: list[str]
    traces: Traces

    def as_dict(self) -> dict[str, Any]:
        """Return figures and warnings as JSON takes them: no number that is not finite."""
        return {**vars(self.figures), "warnings": self.warnings}


def measure_sound(path: Path, progress: Progress | None = None) -> Measurement:
    """Measure a sound file or a take.

    A second of it is in memory at a time; what is kept grows by a few kilobytes a second.

    Parameters
    ----------
    path : Path
        A file that libsndfile reads, or a take, which is a folder with ``sound.wav``.
    progress : callable, optional
        Called with the share that is done, 0 to 1.

    Raises
    ------
    SoundError
        If it cannot be read or holds no sound.
    """
    with SoundReader(path) as sound:
        expected = max(sound.frames, 1)

        def told() -> Iterable[Second]:
            done = 0
            for second in sound.seconds():
                yield second
                done += len(second.samples)
                if progress is not None:
                    progress(min(done / expected, 1.0))

        found = measure_seconds(told(), sound.rate, sound.channels, expected / sound.rate)
        if found is None:
            raise SoundError(f"{path}: holds no sound, not even one sample; there is nothing to measure")
        short = sound.frames - found.figures.frames
        if short > 0:
            found.warnings.insert(
                0, f"The file ends {short:,} frames before its header says; what is there was measured."
            )
        return found


def measure_seconds(sound: Iterable[Second], rate: int, channels: int, seconds: float) -> Measurement | None:
    """Measure a sound that comes second by second.

    Parameters
    ----------
    sound : iterable of Second
        All but the last a second long.
    rate, channels : int
    seconds : float
        Expected length.

    Returns
    -------
    Measurement or None
        None where there was not one frame.
    """
    levels, true_peak = Levels(channels), TruePeak(channels)
    loudness = Loudness(rate, channel_weights(channels))
    spectrum, cycle = Spectrum(rate, channels), Cycle(rate, seconds)
    dwell, jumps, watching = Dwell(rate), Jumps(), FlashMeter()
    meters = (levels, true_peak, loudness, spectrum, cycle, dwell, jumps, watching)
    loudest = _Loudest()
    for second in sound:
        for meter in (*meters, loudest):
            meter.add(second)
    if not levels.frames:
        return None
    for ending in (true_peak, spectrum, jumps):
        ending.finish()
    length = levels.frames / rate
    figures = Figures(
        rate=rate,
        frames=levels.frames,
        channels=channels,
        seconds=length,
        peak=levels.peak.tolist(),
        rms=levels.rms.tolist(),
        dc=levels.dc.tolist(),
        dc_second=levels.dc_second.tolist(),
        crest_db=levels.crest_db,
        true_peak=true_peak.peak.tolist(),
        true_peak_dbtp=gain_to_db(float(true_peak.peak.max())),
        loudness_lufs=loudness.integrated,
        momentary_lufs=loudness.loudest(MOMENTARY),
        short_term_lufs=loudness.loudest(SHORT_TERM),
        correlation=levels.correlation,
        flashes_per_second=watching.most,
        flash_area=watching.area,
        dwell_hotspot=dwell.hotspot,
        resting_time=dwell.resting_time,
        longest_rest=dwell.longest_rest,
        jumps_per_second=jumps.count / length,
        jump_time=min(jumps.samples / levels.frames, 1.0),
        points_per_cycle=cycle.points,
        energy_above_20k=spectrum.share_above(AUDIBLE),
        energy_above_045=spectrum.share_above(PASSED * rate),
        nonfinite=levels.nonfinite,
    )
    traces = Traces(
        peaks=levels.peaks,
        momentary=loudness.over_time(MOMENTARY),
        short_term=loudness.over_time(SHORT_TERM),
        flashes=watching.trace,
        frequencies=spectrum.frequencies,
        density=spectrum.density,
        cells=dwell.cells,
        loudest=loudest.path,
        loudest_at=loudest.at,
    )
    return Measurement(figures, warnings_for(figures), traces)


class _Loudest:
    """The second with most energy so far, kept for its picture."""

    def __init__(self) -> None:
        self.path = np.zeros((0, 2), np.float32)
        self.at = 0
        self._energy = -math.inf
        self._second = 0

    def add(self, second: Second) -> None:
        """Take the next second."""
        pair = second.beam_input()
        energy = float(np.square(pair).sum())
        if energy > self._energy:
            self.path, self.at, self._energy = second.beam_path().astype(np.float32), self._second, energy
        self._second += 1
