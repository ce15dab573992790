"""Decay of light: the laws of phosphors as sums of exponentials, seen by an eye or a camera."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Sequence

EYE = 0.05
"""Seconds in which the eye's own impression of a flash falls to 1/e. An eye adds up light over about 0.03 s (bright) to
0.1 s (dark), Bloch's law; A. Watson, "Temporal sensitivity", Handbook of Perception and Human Performance, 1986 (from
memory)."""

FLOOR = 1e-4
"""Share of its first light down to which a law is followed."""

FOLDED = 1 / 20
"""Light that fades faster than this share of the eye's time is a flash to the eye."""

FASTEST = 0.002
"""Without an eye, what fades faster than this many seconds is shown as if it took them, or frames would miss it."""

APART = 0.02
"""Least relative distance between the eye's time and a phosphor's; nearer, their difference would drown in rounding."""

MOST = 8
"""Exponentials that a picture has room for, the eye's included."""

_INSTANT = 200
"""A photograph takes light that fades this many times faster than the shutter as given at once."""

SIZES = ((1, 1), (2, 1), (MOST, 2))
"""Exponentials and colours that the kernels are compiled for."""

_POWER_FITS = {
    "power 1.5": (
        1.5,
        (0.34844087059, 0.42374578001, 0.16766127121, 0.04456236810, 0.01038375873, 0.00231402343, 0.00039624497),
        (0.36208874369, 1.02831390049, 2.89128125342, 8.11217916859, 22.9577210508, 70.2669374278, 327.982249329),
    ),
    "power 2": (
        2.0,
        (0.37203725007, 0.43657324542, 0.15085241950, 0.03200345845, 0.00542641200, 0.00060610648),
        (0.29350490796, 0.75447286837, 1.92395566023, 4.97073380701, 13.7945154325, 53.5966044489),
    ),
}  # fmt: skip
"""Exponent, amplitudes and times of exponentials that follow (1 + t) ** -exponent within 0.3 percent until it has fallen
to `FLOOR`: a fit of ours, least squares reweighted towards the largest error; a test holds it against the law."""

LAWS = ("exponential", *_POWER_FITS)
"""Laws of decay. Most oxides and silicates fade exponentially, sulphides by a power of time: exponent 2 where electrons
and holes meet at random, less with traps. Source: H. W. Leverenz, An Introduction to Luminescence of Solids, 1950
(from memory)."""


@dataclass(frozen=True)
class Exponentials:
    """A decay as a sum of exponentials.

    Attributes
    ----------
    amplitudes : np.ndarray [shape=(n,)]
        Together 1: the light at first.
    times : np.ndarray [shape=(n,)]
        Seconds in which each falls to 1/e.
    """

    amplitudes: npt.NDArray[np.float64]
    times: npt.NDArray[np.float64]

    @property
    def shares(self) -> npt.NDArray[np.float64]:
        """Share of all the light that each of them gives, from first to last."""
        energies = self.amplitudes * self.times
        shares: npt.NDArray[np.float64] = energies / energies.sum()
        return shares


def law_of(name: str, tenth: float, seconds: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return how much of its first light is left after some time.

    Parameters
    ----------
    name : str
        One of `LAWS`.
    tenth : float
        Seconds until a tenth is left, which is what registrations of phosphors call persistence.
    seconds : array-like

    Examples
    --------
    >>> [float(law_of(name, 0.024, 0.024).round(12)) for name in LAWS]
    [0.1, 0.1, 0.1]
    """
    t = np.asarray(seconds, np.float64)
    if name == "exponential":
        left: npt.NDArray[np.float64] = np.exp(-math.log(10) * t / tenth)
        return left
    exponent = _POWER_FITS[name][0]
    return np.asarray((1 + t / _unit(exponent, tenth)) ** -exponent)


def exponentials(name: str, tenth: float) -> Exponentials:
    """Return a law as exponentials, within 0.6 percent of it until `FLOOR` is left.

    Parameters
    ----------
    name : str
        One of `LAWS`.
    tenth : float
        Seconds until a tenth is left.

    Raises
    ------
    ValueError
        If there is no such law or time.
    """
    if name not in LAWS:
        raise ValueError(f"there is no law of decay called {name!r}; use {', '.join(LAWS)}")
    if not 0 < tenth < math.inf:
        raise ValueError(f"a decay to a tenth in {tenth} s is not possible; it must be more than 0")
    if name == "exponential":
        return Exponentials(np.ones(1), np.array([tenth / math.log(10)]))
    exponent, amplitudes, times = _POWER_FITS[name]
    return Exponentials(np.array(amplitudes) / sum(amplitudes), _unit(exponent, tenth) * np.array(times))


def _unit(exponent: float, tenth: float) -> float:
    return float(tenth / (10 ** (1 / exponent) - 1))


@dataclass(frozen=True)
class Response:
    """Response to a flash: what remains of it over time, as exponentials shared by the colours.

    Attributes
    ----------
    times : np.ndarray [shape=(n,)]
        Seconds in which each exponential falls to 1/e; n is one of `SIZES`.
    mix : np.ndarray [shape=(colours, n)]
        Amplitude of each in each colour; the light of all colours over all time is 1.
    """

    times: npt.NDArray[np.float64]
    mix: npt.NDArray[np.float64]


def response(layers: Sequence[tuple[float, Exponentials]], eye: float) -> Response:
    """Return what is seen of a flash of unit energy.

    Parameters
    ----------
    layers : sequence of (float, Exponentials)
        For each colour its share of the light, and how it fades.
    eye : float
        Seconds of the eye's own persistence, 0 for the bare phosphor.

    Raises
    ------
    ValueError
        If more than `MOST` exponentials would be needed.

    Notes
    -----
    A phosphor's b / tau exp(-t / tau) seen through an eye's exp(-t / eye) / eye is
    b (exp(-t / tau) - exp(-t / eye)) / (tau - eye): the convolution of the two.
    """
    times = [eye] if eye > 0 else []
    entries: list[tuple[int, int, float]] = []
    total = sum(share for share, _ in layers)
    for colour, (share, decay) in enumerate(layers):
        for part, own in zip(decay.shares * share / total, decay.times, strict=True):
            if eye > 0 and own < FOLDED * eye:
                entries.append((colour, 0, part / eye))
                continue
            tau = float(own) if eye > 0 else max(float(own), FASTEST)
            if eye > 0:
                if abs(tau - eye) < APART * eye:
                    tau = eye * (1 + APART)
                entries.append((colour, 0, -part / (tau - eye)))
            if tau not in times:
                times.append(tau)
            entries.append((colour, times.index(tau), part / (tau - eye)))
    return _arranged(times, entries, len(layers))


def photograph_response(layers: Sequence[tuple[float, Exponentials]], exposure: float) -> Response:
    """Return what a photograph takes of a flash, to be multiplied with what the light lost while the shutter was open.

    Parameters
    ----------
    layers : sequence of (float, Exponentials)
        For each colour its share of the light, and how it fades.
    exposure : float
        Seconds that the shutter is open.

    Returns
    -------
    Response
        The first exponential is endless and counts the energy that arrives.

    Notes
    -----
    An exponential's light A follows dA/dt = E - A / tau. What it gives from t0 to t1, the integral of
    A / tau, is therefore A(t0) - A(t1) and the energy that arrived meanwhile. An exposure twice as long
    through half the aperture is as bright.
    """
    times, entries = [math.inf], []
    total = sum(share for share, _ in layers)
    for colour, (share, decay) in enumerate(layers):
        for part, own in zip(decay.shares * share / total / exposure, decay.times, strict=True):
            entries.append((colour, 0, -part))
            if own >= max(FASTEST, exposure / _INSTANT):
                if own not in times:
                    times.append(float(own))
                entries.append((colour, times.index(own), part))
    return _arranged(times, entries, len(layers))


def _arranged(times: list[float], entries: list[tuple[int, int, float]], colours: int) -> Response:
    if len(times) > MOST or colours > SIZES[-1][1]:
        raise ValueError(
            f"these layers need {len(times)} exponentials in {colours} colours; there is room for {MOST} in two: "
            "let one of the layers fade exponentially"
        )
    if len(times) == 1:
        # All are one flash to the eye, which mixes their colours.
        colours, entries = 1, [(0, at, amplitude) for _, at, amplitude in entries]
    room, planes = next((n, c) for n, c in SIZES if n >= len(times) and c >= colours)
    mix = np.zeros((planes, room))
    for colour, at, amplitude in entries:
        mix[colour, at] += amplitude
    return Response(np.array(times + [times[0]] * (room - len(times))), mix)
