"""Ordering what another process reads and writes in the shared memory, as the callback sees it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from numba import njit

from instrument.engine.memory.machine import fence as _fence

if TYPE_CHECKING:
    from collections.abc import Callable

_compiled: Callable[[Callable[..., Any]], Any] = njit(cache=True)


@_compiled
def fence() -> None:
    """Finish every earlier access to memory before any later one begins."""
    _fence()
