"""Laws of decay, their exponentials, and what an eye sees of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from instrument.beam.decay import (
    EYE,
    FLOOR,
    LAWS,
    SIZES,
    Exponentials,
    exponentials,
    law_of,
    photograph_response,
    response,
)


@pytest.mark.parametrize("law", LAWS)
def test_exponentials_follow_their_law_within_1_percent_over_four_decades(law: str) -> None:
    # The law itself is the reference: H. W. Leverenz's exponential and power forms.
    t = np.concatenate(([0.0], np.geomspace(1e-5, 1e3, 5000)))
    wanted = law_of(law, 0.4, t)
    kept = wanted >= FLOOR
    parts = exponentials(law, 0.4)
    found = (parts.amplitudes * np.exp(-t[:, None] / parts.times)).sum(axis=1)
    np.testing.assert_allclose(found[kept], wanted[kept], rtol=0.006)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("tenth", [1e-6, 0.02, 3.0])
def test_a_tenth_is_left_after_the_registered_time(law: str, tenth: float) -> None:
    assert law_of(law, tenth, tenth) == pytest.approx(0.1)
    assert law_of(law, tenth, 0.0) == 1.0


@given(st.sampled_from(LAWS), st.floats(1e-5, 100))
def test_shares_of_all_the_light_add_up_to_one(law: str, tenth: float) -> None:
    parts = exponentials(law, tenth)
    assert parts.shares.sum() == pytest.approx(1)
    assert (parts.shares > 0).all()


@pytest.mark.parametrize(("law", "tenth"), [("linear", 1.0), ("exponential", 0.0), ("power 2", np.inf)])
def test_what_cannot_be_is_refused(law: str, tenth: float) -> None:
    with pytest.raises(ValueError, match=r"no law of decay called 'linear'; use exponential|must be more than 0"):
        exponentials(law, tenth)


class TestEye:
    @settings(max_examples=60)
    @given(st.sampled_from(LAWS), st.floats(1e-5, 20), st.sampled_from([0.0, 0.01, EYE, 0.3]))
    def test_all_the_light_is_seen_in_the_end(self, law: str, tenth: float, eye: float) -> None:
        seen = response([(1.0, exponentials(law, tenth))], eye)
        assert (seen.mix * seen.times).sum() == pytest.approx(1, abs=1e-9)
        assert (seen.mix.shape[1], seen.mix.shape[0]) in SIZES

    @pytest.mark.parametrize("tenth", [0.02, 0.1, 0.15, 2.0])
    def test_it_is_the_convolution_of_both_decays(self, tenth: float) -> None:
        tau = tenth / np.log(10)
        seen = response([(1.0, exponentials("exponential", tenth))], EYE)
        for t in (0.001, 0.02, 0.1, 0.4):
            expected, _ = integrate.quad(lambda u, t=t: np.exp(-u / tau) / tau * np.exp(-(t - u) / EYE) / EYE, 0, t)
            assert (seen.mix[0] * np.exp(-t / seen.times)).sum() == pytest.approx(expected, rel=1e-6)

    def test_a_phosphor_as_slow_as_the_eye_is_no_division_by_zero(self) -> None:
        seen = response([(1.0, Exponentials(np.ones(1), np.array([EYE])))], EYE)
        t = 0.04
        # The limit of equal times: t / tau^2 exp(-t / tau).
        assert (seen.mix[0] * np.exp(-t / seen.times)).sum() == pytest.approx(t / EYE**2 * np.exp(-t / EYE), rel=0.02)

    def test_a_flash_shorter_than_a_video_frame_is_the_eyes_alone(self) -> None:
        seen = response([(1.0, exponentials("exponential", 38e-6))], EYE)
        assert seen.times.tolist() == [EYE]
        assert seen.mix.tolist() == [[1 / EYE]]

    def test_two_flashes_become_one_colour(self) -> None:
        fast = exponentials("exponential", 38e-6)
        assert response([(0.3, fast), (0.7, fast)], EYE).mix.shape == (1, 1)

    def test_too_many_exponentials_are_refused(self) -> None:
        slow = exponentials("power 1.5", 0.4), exponentials("power 1.5", 0.9)
        with pytest.raises(ValueError, match="let one of the layers fade exponentially"):
            response([(0.5, slow[0]), (0.5, slow[1])], EYE)


class TestPhotograph:
    @pytest.mark.parametrize("law", LAWS)
    @pytest.mark.parametrize("exposure", [0.01, 1.0])
    def test_it_takes_what_is_given_while_the_shutter_is_open(self, law: str, exposure: float) -> None:
        # A flash at 0, the shutter open from `opens`: the integral of the light, by scipy's quadrature.
        parts, opens = exponentials(law, 0.2), 0.03
        taken = photograph_response([(1.0, parts)], exposure)
        lost = np.exp(-opens / taken.times) - np.exp(-(opens + exposure) / taken.times)
        rates = parts.shares / parts.times
        expected, _ = integrate.quad(
            lambda t: (rates * np.exp(-t / parts.times)).sum(), opens, opens + exposure, limit=200
        )
        assert (taken.mix * lost).sum() * exposure == pytest.approx(expected, rel=1e-5)

    def test_a_flash_within_the_exposure_is_taken_whole_if_it_fades_fast(self) -> None:
        taken = photograph_response([(1.0, exponentials("exponential", 38e-6))], 0.5)
        # One endless exponential: it loses -1 when a unit of energy arrives.
        assert taken.mix.tolist() == [[-2.0]]
        assert np.isinf(taken.times).all()
