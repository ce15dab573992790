"""Published values for loudness and true peak.

Sources
-------
BS.1770: Recommendation ITU-R BS.1770-5 (2023), Algorithms to measure audio programme loudness and true-peak
audio level: tables 1 and 2 of annex 1 (coefficients for 48 kHz), the calibration in annex 1, and the under-read
of true-peak meters in annex 2 (all from memory).
Tech 3341: EBU Tech 3341, Loudness metering: 'EBU Mode' metering (2016; the same signals in 2023), table 1,
minimum requirements test signals (from memory).
"""

from __future__ import annotations

# BS.1770, annex 1, tables 1 and 2: b0, b1, b2, a0, a1, a2 of the shelf and of the high-pass at 48 kHz.
K_WEIGHTING_48K = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585),
    (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621),
)

# BS.1770, annex 1: a 0 dBFS sine of 997 Hz on one front channel reads this many LKFS.
ONE_CHANNEL_FULL_SCALE_997 = -3.01

# Tech 3341, table 1: programmes of a 1 kHz sine, each part a level in dBFS and a length in seconds, with the same
# signal in phase on both channels; the integrated loudness they read, within 0.1 LU.
Programme = tuple[tuple[tuple[float, float], ...], float]
INTEGRATED: dict[int, Programme] = {
    1: (((-23.0, 20.0),), -23.0),
    2: (((-33.0, 20.0),), -33.0),
    3: (((-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)), -23.0),
    4: (((-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)), -23.0),
    5: (((-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)), -23.0),
}

# Tech 3341, table 1, case 6: 20 s of a 1 kHz sine at these dBFS on L, R, C, Ls and Rs read this many LUFS.
SURROUND: tuple[tuple[float, ...], float] = ((-28.0, -28.0, -24.0, -30.0, -30.0), -23.0)

# Tech 3341, table 1, cases 9 and 12: parts that are repeated so often, and what short-term (after 3 s) or momentary
# loudness (after 1 s) stays at, within 0.1 LU.
SHORT_TERM_CONSTANT: tuple[tuple[tuple[float, float], ...], int, float] = (
    ((-20.0, 1.34), (-30.0, 1.66)),
    5,
    -23.0,
)
MOMENTARY_CONSTANT: tuple[tuple[tuple[float, float], ...], int, float] = (
    ((-20.0, 0.18), (-30.0, 0.22)),
    25,
    -23.0,
)

# Tech 3341, table 1, cases 10 and 13: silence of 0 to 19 steps, a tone of -23 dBFS, silence; the loudest short-term or
# momentary value each reads. Cases 11 and 14: the same in one file, the tone one decibel louder each time; each reads its
# own level. Steps and lengths in seconds.
BURSTS: dict[int, tuple[float, float]] = {10: (0.15, 3.0), 13: (0.02, 0.4)}
RISING: dict[int, tuple[float, float]] = {11: (0.15, 3.0), 14: (0.02, 0.4)}
BURST_LEVEL, BURST_REST = -23.0, 1.0
RISING_LEVELS = tuple(range(-38, -18))

# Tech 3341, table 1, cases 20 to 23: a full-scale sine of a quarter of the rate, made at four times the rate and taken at
# each of the four offsets; each reads this many dBTP, with the same tolerances.
OFFSET_TRUE_PEAK = 0.0

# Tech 3341, table 1, cases 15 to 19: frequency as a divisor of the rate, amplitude (full scale 1), phase in
# degrees, and the true peak in dBTP they read, with these tolerances upwards and downwards.
TRUE_PEAK: dict[int, tuple[int, float, float, float]] = {
    15: (4, 0.50, 0.0, -6.0),
    16: (4, 0.50, 45.0, -6.0),
    17: (6, 0.50, 60.0, -6.0),
    18: (8, 0.50, 67.5, -6.0),
    19: (4, 1.41, 45.0, 3.0),
}
TRUE_PEAK_ABOVE, TRUE_PEAK_BELOW = 0.2, 0.4

# BS.1770, annex 2: largest under-read in decibels of a meter that oversamples so often, at frequencies up to 0.45
# and 0.5 of the rate.
UNDER_READ: dict[int, tuple[float, float]] = {
    4: (0.554, 0.688),
    8: (0.136, 0.169),
    16: (0.034, 0.042),
    32: (0.008, 0.010),
}
