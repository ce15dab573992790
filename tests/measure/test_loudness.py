"""Loudness against the signals of EBU Tech 3341, the tables of ITU-R BS.1770 and an independent meter."""

import math

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import sosfreqz

from instrument.measure.loudness import MOMENTARY, SHORT_TERM, Loudness, channel_weights, k_weighting
from instrument.measure.sound_reader import seconds_of
from tests.measure.signals import Floats, both, metered, programme, sine
from tests.reference.loudness import (
    BURST_LEVEL,
    BURST_REST,
    BURSTS,
    INTEGRATED,
    K_WEIGHTING_48K,
    MOMENTARY_CONSTANT,
    ONE_CHANNEL_FULL_SCALE_997,
    RISING,
    RISING_LEVELS,
    SHORT_TERM_CONSTANT,
    SURROUND,
)

RATE = 48_000


def loudness(samples: Floats, rate: int = RATE) -> Loudness:
    return metered(Loudness(rate, channel_weights(samples.shape[1])), samples, rate)


class TestFilters:
    def test_at_48_khz_they_are_the_standards_tables(self) -> None:
        assert k_weighting(RATE) == pytest.approx(np.array(K_WEIGHTING_48K), abs=1e-9)

    @pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
    def test_at_other_rates_they_weight_alike(self, rate: int) -> None:
        # The standard asks for the same frequency response (BS.1770-5, annex 1); up to 10 kHz the bilinear
        # transform's warping stays small.
        frequencies = np.geomspace(20, 10_000, 60)
        here, there = (20 * np.log10(np.abs(sosfreqz(k_weighting(r), frequencies, fs=r)[1])) for r in (rate, RATE))
        assert here == pytest.approx(there, abs=0.12)


class TestStandards:
    @pytest.mark.parametrize("case", INTEGRATED)
    def test_a_programme_of_ebu_tech_3341_reads_as_it_says(self, case: int) -> None:
        parts, wanted = INTEGRATED[case]
        assert loudness(programme(parts)).integrated == pytest.approx(wanted, abs=0.1)

    def test_surround_counts_more_than_front(self) -> None:
        levels, wanted = SURROUND
        samples = np.outer(sine(1000.0, 20.0), [10 ** (level / 20) for level in levels])
        assert loudness(samples).integrated == pytest.approx(wanted, abs=0.1)

    def test_the_low_frequency_channel_does_not_count(self) -> None:
        levels, wanted = SURROUND
        gains = np.insert([10 ** (level / 20) for level in levels], 3, 1.0)
        assert loudness(np.outer(sine(1000.0, 20.0), gains)).integrated == pytest.approx(wanted, abs=0.1)

    @pytest.mark.parametrize("case", [1, 2])
    def test_short_term_and_momentary_read_the_same_for_a_steady_sine(self, case: int) -> None:
        parts, wanted = INTEGRATED[case]
        found = loudness(programme(parts))
        for tenths in (MOMENTARY, SHORT_TERM):
            assert found.over_time(tenths)[10:] == pytest.approx(wanted, abs=0.1)
            assert found.loudest(tenths) == pytest.approx(wanted, abs=0.1)

    def test_short_term_stays_where_ebu_tech_3341_says(self) -> None:
        parts, times, wanted = SHORT_TERM_CONSTANT
        assert loudness(programme(parts, times)).over_time(SHORT_TERM) == pytest.approx(wanted, abs=0.1)

    def test_momentary_stays_where_ebu_tech_3341_says(self) -> None:
        parts, times, wanted = MOMENTARY_CONSTANT
        # The first values have not seen a second yet.
        assert loudness(programme(parts, times)).over_time(MOMENTARY)[7:] == pytest.approx(wanted, abs=0.1)

    @pytest.mark.parametrize("case", BURSTS)
    @pytest.mark.parametrize("steps", [0, 1, 7, 18, 19])
    def test_a_burst_reads_the_same_wherever_it_lies(self, case: int, steps: int) -> None:
        step, length = BURSTS[case]
        sound = programme(((-300.0, steps * step), (BURST_LEVEL, length), (-300.0, BURST_REST)))
        tenths = SHORT_TERM if case == 10 else MOMENTARY
        assert loudness(sound).loudest(tenths) == pytest.approx(BURST_LEVEL, abs=0.1)

    @pytest.mark.parametrize("case", RISING)
    def test_each_of_rising_bursts_reads_its_level(self, case: int) -> None:
        step, length = RISING[case]
        tenths = SHORT_TERM if case == 11 else MOMENTARY
        parts: list[tuple[float, float]] = []
        ends: list[float] = []
        for steps, level in enumerate(RISING_LEVELS):
            parts += [(-300.0, steps * step), (level, length), (-300.0, BURST_REST)]
            ends.append(sum(seconds for _, seconds in parts[:-1]))
        meter = Loudness(RATE, channel_weights(2))
        read = []
        for heard, second in enumerate(seconds_of(programme(parts), RATE), start=1):
            meter.add(second)
            read += [meter.loudest(tenths) for end in ends if heard - 1 < end <= heard]
        assert read == pytest.approx(RISING_LEVELS, abs=0.1)

    @pytest.mark.parametrize("channel", [0, 1])
    def test_full_scale_on_one_channel_is_the_standards_calibration(self, channel: int) -> None:
        samples = np.zeros((10 * RATE, 2))
        samples[:, channel] = sine(997.0, 10.0)
        assert loudness(samples).integrated == pytest.approx(ONE_CHANNEL_FULL_SCALE_997, abs=0.01)


class TestSecondOpinion:
    # pyloudnorm (C. J. Steinmetz and J. D. Reiss, 2021) is an implementation of BS.1770-4 by others.
    @pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
    @pytest.mark.parametrize("channels", [1, 2, 5])
    def test_noise_that_comes_and_goes_reads_the_same(self, rate: int, channels: int) -> None:
        rng = np.random.default_rng(rate + channels)
        swell = np.repeat(10 ** rng.uniform(-4, -0.5, 12), rate // 2)[:, None]
        samples = rng.standard_normal((6 * rate, channels)) * 0.2 * swell
        theirs = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(samples)
        assert loudness(samples, rate).integrated == pytest.approx(theirs, abs=0.01)


class TestEdges:
    def test_silence_and_what_is_shorter_than_a_block_have_none(self) -> None:
        assert loudness(np.zeros((2 * RATE, 2))).integrated is None
        assert loudness(np.zeros((2 * RATE, 2))).loudest(MOMENTARY) is None
        assert loudness(both(sine(1000.0, 0.3999))).integrated is None
        assert loudness(both(sine(1000.0, 0.4))).integrated is not None

    def test_below_the_lowest_rate_nothing_is_measured(self) -> None:
        assert loudness(both(sine(100.0, 2.0, 4000)), 4000).integrated is None

    def test_of_four_channels_the_first_two_are_heard(self) -> None:
        two = both(sine(1000.0, 2.0))
        four = np.hstack([two, np.ones_like(two)])
        assert loudness(four).integrated == pytest.approx(loudness(two).integrated)

    def test_quiet_after_loud_is_not_hidden_by_rounding(self) -> None:
        # A running sum would keep the loud part's rounding: 1e-16 of full scale is -160 dB, here it is -200.
        samples = np.concatenate([sine(1000.0, 4.0), 1e-10 * sine(1000.0, 4.0)])
        last = loudness(both(samples)).over_time(MOMENTARY)[-1]
        assert last == pytest.approx(-200.0, abs=0.1)

    def test_a_rate_that_ten_does_not_divide_loses_nothing(self) -> None:
        found = loudness(both(sine(997.0, 10.0, 11_025)), 11_025)
        assert len(found.energy) == 100
        assert found.integrated == pytest.approx(10 * math.log10(1.0), abs=0.1)
