"""How far long work has come, on a terminal; silent where nobody looks."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, Progress, TimeRemainingColumn

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROUTE_STAGES = ("weld", "match", "join", "walk")
"""What is done to a drawing after reading it, as its progress is told."""


@contextlib.contextmanager
def working(what: str) -> Iterator[Callable[[float], None]]:
    """Show a progress bar on a terminal's standard error; give what is told the share that is done."""
    console = Console(stderr=True)
    columns = ("{task.description}", BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)


@contextlib.contextmanager
def routing_progress(count: int) -> Iterator[Callable[[int, str], None]]:
    """Show a progress bar on a terminal's standard error; give what is told each stage of each drawing."""
    console = Console(stderr=True)
    with Progress(console=console, transient=True, redirect_stdout=False, disable=not console.is_terminal) as bar:
        task = bar.add_task("start", total=count)

        def stage(number: int, name: str) -> None:
            # The frames of a flip-book begin again with reading, and the bar stays within its drawing.
            done = ROUTE_STAGES.index(name) + 1 if name in ROUTE_STAGES else 0
            bar.update(task, description=name, completed=number + done / (len(ROUTE_STAGES) + 1))

        yield stage
