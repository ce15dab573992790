"""Cautions that follow from figures, in plain sentences: ears, eyes, tubes, loudspeakers, converters."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.measure.flashes import AREA, MOST
from instrument.measure.levels import gain_to_db
from instrument.measure.loudness import LEAST_RATE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from instrument.measure.measurement import Figures

CAUTIONS = (
    (
        "Loudness figures tell a signal from another, not how loud it is in a room: measure that where people are. "
        "The limits for hearing at work and at events are those of the codes where you are."
    ),
    (
        "Flashes are counted on the emulated picture with a short afterglow; another display, or one turned up brighter, "
        "may flash more. Local rules for flashing light at events go before this count."
    ),
    "Old tubes hold lethal voltages: only people licensed for it open or repair them.",
)
"""Said once under every table."""

TOP_DBTP = -1.0
"""Highest true peak that broadcasting permits. Source: EBU R 128 (2020), section on maximum true peak level."""

BROADCAST_LUFS = -23.0
"""Loudness of broadcast programmes. Source: EBU R 128 (2020)."""

LOUD_LUFS = -14.0
"""Loudness past which a volume set for other music is too loud (common practice, no source)."""

OFFSET = 0.01
"""Direct voltage, of full scale, that a loudspeaker should not get (common practice, no source)."""

HOT = 0.5
"""Share of the light in a hundredth of the screen that leaves a mark (common practice, no source)."""

LONG_REST = 1.0
"""Seconds for which a dot may stand (common practice, no source)."""

WASTED = 0.01
"""Share of the energy that may go where nothing passes it on (common practice, no source)."""


def warnings_for(figures: Figures) -> list[str]:
    """Return what a sound's figures warn of, the gravest first."""
    return [
        *_eyes(figures),
        *_ears(figures),
        *_loudspeakers(figures),
        *_screen(figures),
        *_converters(figures),
        *_file(figures),
    ]


def _eyes(f: Figures) -> Iterator[str]:
    if f.flashes_per_second > MOST:
        yield (
            f"The picture flashes {f.flashes_per_second} times within a second over {f.flash_area:.0%} of a field of "
            f"view; more than {MOST} over {AREA:.0%} is past the limit of WCAG 2.2 (2.3.1) and can trigger seizures. "
            "Slow it down, or warn the audience and follow the local rules for flashing light."
        )


def _ears(f: Figures) -> Iterator[str]:
    if f.loudness_lufs is not None and f.loudness_lufs > LOUD_LUFS:
        yield (
            f"Loudness is {f.loudness_lufs:.1f} LUFS, {f.loudness_lufs - BROADCAST_LUFS:.0f} LU above broadcast "
            "programmes (EBU R 128): at a volume set for those it can harm hearing. Start with the volume down."
        )
    if f.true_peak_dbtp is not None and f.true_peak_dbtp > TOP_DBTP:
        yield (
            f"True peak is {f.true_peak_dbtp:+.1f} dBTP, above the {TOP_DBTP:+.0f} dBTP that broadcasting permits "
            "(EBU R 128): converters and coders that follow may clip. Turn the output level down."
        )


def _loudspeakers(f: Figures) -> Iterator[str]:
    worst = max(f.dc_second)
    if worst > OFFSET:
        channel = f.dc_second.index(worst) + 1
        yield (
            f"Channel {channel} holds a direct voltage of {worst:.1%} of full scale ({gain_to_db(worst):.0f} dB) for "
            "a second: into a loudspeaker it heats the coil. Play it through an output that blocks direct voltage, or "
            "centre the drawing."
        )


def _screen(f: Figures) -> Iterator[str]:
    if f.dwell_hotspot > HOT:
        yield (
            f"{f.dwell_hotspot:.0%} of the light falls on 1% of the screen: it burns a tube's phosphor and marks other "
            "screens. Turn the intensity down, or keep the drawing moving."
        )
    if f.longest_rest > LONG_REST:
        yield (
            f"The beam stands still for {f.longest_rest:.1f} s: a standing dot burns in within seconds. Turn the "
            "intensity down before the signal stops."
        )


def _converters(f: Figures) -> Iterator[str]:
    if f.energy_above_20k > WASTED:
        yield (
            f"{f.energy_above_20k:.1%} of the energy lies above 20 kHz: nobody hears it, but it heats tweeters and "
            "amplifiers."
        )
    if f.energy_above_045 > WASTED:
        yield (
            f"{f.energy_above_045:.1%} of the energy lies above {0.45 * f.rate / 1000:.4g} kHz (0.45 of the sample "
            "rate), where converters begin to filter: a display shows less of it than the picture here. Lower the pitch "
            "or raise the rate."
        )


def _file(f: Figures) -> Iterator[str]:
    if f.nonfinite:
        yield f"{f.nonfinite:,} samples are not finite numbers; they were left out. A player may do anything with them."
    if f.channels == 1:
        yield "There is one channel; the picture is what it draws on both axes, a slanted line."
    elif f.channels not in {2, 5, 6}:
        yield f"There are {f.channels} channels; loudness and picture are those of the first two."
    elif f.channels > 2:
        yield (
            f"There are {f.channels} channels; loudness is that of surround sound (BS.1770), the picture that of the "
            "first two."
        )
    if f.rate < LEAST_RATE:
        yield f"At {f.rate} Hz loudness is not defined; it needs at least {LEAST_RATE} Hz."
