"""Progress bars on a terminal; silent where standard error is none."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, Progress, TimeRemainingColumn

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROUTE_STAGES = ("weld", "match", "join", "walk")
"""Stages of a drawing after it has been read, as its progress is told."""


@contextlib.contextmanager
def working(what: str) -> Iterator[Callable[[float], None]]:
    """Show a progress bar; yield a function that takes the share that is done, 0 to 1."""
    console = Console(stderr=True)
    columns = ("{task.description}", BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)


@contextlib.contextmanager
def routing_progress(count: int) -> Iterator[Callable[[int, str], None]]:
    """Show a progress bar over drawings; yield a function that takes the number of a drawing and its stage."""
    console = Console(stderr=True)
    with Progress(console=console, transient=True, redirect_stdout=False, disable=not console.is_terminal) as bar:
        task = bar.add_task("start", total=count)

        def stage(number: int, name: str) -> None:
            # The frames of a flip-book begin again with reading, and the bar stays within its drawing.
            done = ROUTE_STAGES.index(name) + 1 if name in ROUTE_STAGES else 0
            bar.update(task, description=name, completed=number + done / (len(ROUTE_STAGES) + 1))

        yield stage
