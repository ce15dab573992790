"""Registered phosphors, and one's own."""

import numpy as np
import pytest

from instrument.beam.decay import EYE
from instrument.beam.phosphor import TYPES, Layer, Phosphor, linear_rgb, phosphor


def test_the_registered_types_are_there() -> None:
    assert list(TYPES) == ["P1", "P2", "P4", "P7", "P11", "P31", "P39", "P45"]


@pytest.mark.parametrize(
    ("name", "tenths"),
    [
        ("P1", (0.024,)),
        ("P4", (22e-6, 60e-6)),
        ("P7", (57e-6, 0.4)),
        ("P11", (34e-6,)),
        ("P31", (38e-6,)),
        ("P39", (0.15,)),
        ("P45", (1.5e-3,)),
    ],
)
def test_persistence_is_the_registered_one(name: str, tenths: tuple[float, ...]) -> None:
    # EIA/JEDEC registrations as collected in TEPAC TEP116-C: from memory, no copy at hand.
    assert tuple(layer.tenth for layer in TYPES[name].layers) == tenths


def test_the_white_point_of_srgb_is_white() -> None:
    # D65 is x = 0.3127, y = 0.3290: IEC 61966-2-1.
    np.testing.assert_allclose(linear_rgb((0.3127, 0.3290)), 1, atol=2e-3)


@pytest.mark.parametrize(
    ("name", "order"), [("P1", "gbr"), ("P31", "gbr"), ("P11", "bgr"), ("P39", "gbr"), ("P2", "gbr")]
)
def test_colours_are_those_of_their_names(name: str, order: str) -> None:
    colour = TYPES[name].colours(1)[0]
    assert "".join("rgb"[k] for k in np.argsort(-colour, kind="stable")) == order
    assert colour.max() == 1


@pytest.mark.parametrize("name", ["P4", "P45"])
def test_white_is_nearly_white(name: str) -> None:
    assert TYPES[name].colours(1)[0].min() > 0.25


def test_p7_flashes_blue_and_glows_yellow() -> None:
    seen = TYPES["P7"].seen(EYE)
    flash, glow = TYPES["P7"].colours(2)
    assert flash[2] == 1
    assert glow[0] > 0.3
    assert glow[2] < 0.1

    def left(t: float) -> np.ndarray:
        light: np.ndarray = (seen.mix * np.exp(-t / seen.times)).sum(axis=1)
        return light

    assert left(0.001)[0] > left(0.001)[1]
    assert left(1.0)[1] > 1000 * left(1.0)[0]


def test_a_name_is_found_however_it_is_written() -> None:
    assert phosphor(" p31 ") is TYPES["P31"]


def test_an_unknown_name_gets_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"no phosphor called P33; did you mean P\d+\? known are P1, P2"):
        phosphor("P33")


def test_ones_own_type_has_colours_laws_and_times() -> None:
    own = Phosphor("dusk", (Layer((0.5, 0.4), 0.01), Layer((0.2, 0.2), 0.5, "power 2", 2.0)))
    assert own.seen(EYE).mix.shape == (2, 8)


@pytest.mark.parametrize(
    ("place", "tenth", "law", "share", "said"),
    [
        ((0.9, 0.9), 1.0, "exponential", 1.0, "is not a colour"),
        ((0.3, 0.0), 1.0, "exponential", 1.0, "is not a colour"),
        ((0.3, 0.3), 0.0, "exponential", 1.0, "decay to a tenth"),
        ((0.3, 0.3), 1.0, "linear", 1.0, "use exponential, power 1.5, power 2"),
        ((0.3, 0.3), 1.0, "exponential", 0.0, "a share of 0"),
    ],
)
def test_what_cannot_be_is_refused(place: tuple[float, float], tenth: float, law: str, share: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Layer(place, tenth, law, share)


def test_a_phosphor_has_one_layer_or_two() -> None:
    with pytest.raises(ValueError, match="one layer or two, not 3"):
        Phosphor("thick", (Layer((0.3, 0.3), 1.0),) * 3)


def test_a_photograph_remembers_as_long_as_the_phosphor() -> None:
    assert TYPES["P31"].memory(1.0) == 0
    assert TYPES["P39"].memory(1 / 50) == pytest.approx(0.15 * 4, rel=1e-6)
    assert TYPES["P7"].memory(1 / 50) > 10
