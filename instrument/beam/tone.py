"""From light to pixel values: the phosphor's saturation, the eye's or camera's curve, and the display's."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from instrument.beam.develop import FIRST_STEP, STEP_BITS, STEPS

WHITENING = 0.035
"""Share of any colour that strong light adds to every channel, as glare in an eye or a lens does."""


def encode_srgb(linear: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return sRGB values (0 to 1) of linear light (0 to 1).

    Source: IEC 61966-2-1:1999, 5.2 (from memory).

    Examples
    --------
    >>> encode_srgb([0.0, 0.0031308, 0.2140411, 1.0]).round(4).tolist()
    [0.0, 0.0404, 0.5, 1.0]
    """
    light = np.clip(np.asarray(linear, np.float64), 0.0, 1.0)
    encoded: npt.NDArray[np.float64] = np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    )
    return encoded


def step_values() -> npt.NDArray[np.float64]:
    """Return the light in the middle of each step of the table [shape=(STEPS,)]."""
    bits = (np.arange(STEPS, dtype=np.int32) + FIRST_STEP) << STEP_BITS
    values = (bits + (1 << (STEP_BITS - 1))).view(np.float32).astype(np.float64)
    values[0] = 0.0
    return values


def channel_tables(
    primaries: npt.NDArray[np.float64],
    saturation: float,
    background: tuple[float, float, float],
    *,
    together: bool,
) -> npt.NDArray[np.uint32]:
    """Return what the kernels look pixels up in.

    Parameters
    ----------
    primaries : np.ndarray [shape=(3,)]
        Linear red, green and blue of one unit of light; ignored unless `together`.
    saturation : float
        Light at which a phosphor gives half of what it should.
    background : tuple of float
        Linear red, green and blue of the dark glass.
    together : bool
        Whether one light sets all channels: the table holds whole pixels. Otherwise each channel has its
        own light and its own third of the table.

    Returns
    -------
    np.ndarray [shape=(STEPS,) or (3 * STEPS,), dtype=uint32]
    """
    light = step_values()
    parts = []
    for channel, shift in enumerate((16, 8, 0)):
        weight = primaries[channel] if together else 1.0
        glowing = weight * light / (1 + light / saturation)
        shown = background[channel] + (1 - background[channel]) * glowing / (1 + glowing)
        parts.append(np.rint(255 * encode_srgb(shown)).astype(np.uint32) << np.uint32(shift))
    if together:
        whole: npt.NDArray[np.uint32] = np.uint32(0xFF000000) | parts[0] | parts[1] | parts[2]
        return whole
    return np.concatenate(parts)


def whitened(primaries: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return colours with the share of white that makes strong light white [shape=(planes, 3)]."""
    mixed: npt.NDArray[np.float64] = WHITENING * primaries.max(axis=1, keepdims=True) + (1 - WHITENING) * primaries
    return mixed
