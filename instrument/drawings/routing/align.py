"""Two closed paths are laid against each other so that blending from one to the other moves points little."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

Scalar = TypeVar("Scalar", bound=np.generic)


def best_turn(path: NDArray[np.float64], towards: NDArray[np.float64]) -> tuple[int, bool]:
    """Find where a closed path should begin, and which way round it should run, to lie close to another.

    Parameters
    ----------
    path, towards : ndarray of float64, shape (n, 3)

    Returns
    -------
    shift : int
        The row of `path` to begin with.
    backwards : bool
        Whether to run down from there.

    Notes
    -----
    The summed squared distance is least where the circular cross-correlation is largest; all n shifts at once
    by the fast Fourier transform.

    Examples
    --------
    >>> square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    >>> best_turn(square[[2, 1, 0, 3]], square)
    (2, True)
    """
    if path.shape != towards.shape:
        raise ValueError(f"paths must have the same shape (got {path.shape} and {towards.shape})")
    target = np.fft.rfft(towards, axis=0)
    best = (-np.inf, 0, False)
    for backwards in (False, True):
        spectrum = np.fft.rfft(path[::-1] if backwards else path, axis=0)
        likeness = np.fft.irfft(spectrum * target.conj(), len(path), axis=0).sum(axis=1)
        shift = int(np.argmax(likeness))
        # Only a clear gain turns a path round: rounding must not decide it.
        if likeness[shift] > best[0] + 1e-9 * abs(float(likeness[shift])):
            best = (float(likeness[shift]), shift, backwards)
    _, shift, backwards = best
    return (len(path) - 1 - shift, True) if backwards else (shift, False)


def turned(rows: NDArray[Scalar], shift: int, *, backwards: bool) -> NDArray[Scalar]:
    """Begin a closed path's rows at `shift`, upwards or downwards from there.

    Examples
    --------
    >>> turned(np.array([0, 1, 2, 3]), 1, backwards=True).tolist()
    [1, 0, 3, 2]
    """
    return np.roll(rows[::-1], shift + 1, axis=0) if backwards else np.roll(rows, -shift, axis=0)
