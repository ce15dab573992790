"""Compiled loops outside the engine, whose machine code is kept in one place whatever a process has imported."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numba
from numba import njit

from instrument.common.user_folders import cache_folder

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

numba.config.DISABLE_INTEL_SVML = 1
# As in the engine: the same bits whether or not that is loaded as well.


def kernels_folder() -> Path:
    """Return the folder for their machine code (it may not exist yet).

    Numba takes what lies there only while the file of the function is of the same time and size, so that a kernel
    calls nothing outside its own file.
    """
    return cache_folder() / "kernels"


_OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy"}


def kernel_part(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Return the decorator of functions that a loop of the same file calls for each point; options as in `kernel`."""
    decorator: Callable[[Callable[..., Any]], Any] = njit(forceinline=True, **_OPTIONS, **options)
    return decorator


def kernel(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Return the decorator of a loop that runs without Python's lock and divides by zero without an exception.

    Parameters
    ----------
    **options
        More of numba's own, such as ``fastmath``.
    """

    def decorate(function: Callable[..., Any]) -> Any:
        # Numba asks for the folder here, and for one folder for all: without this, what the engine keeps by the key of
        # its own sources would hold a second copy, which would be compiled again with each of them.
        before, numba.config.CACHE_DIR = numba.config.CACHE_DIR, str(kernels_folder())
        try:
            return njit(cache=True, **_OPTIONS, **options)(function)
        finally:
            numba.config.CACHE_DIR = before

    return decorate
