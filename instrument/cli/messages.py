"""Messages and results of the commands, and their end when their work has failed: nothing else prints."""

from __future__ import annotations

import functools
import sys
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from instrument.common.late_libraries import missing
from instrument.common.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable


def say(text: str) -> None:
    """Print a message to standard error."""
    print(printable(text), file=sys.stderr, flush=True)


def answer(text: str) -> None:
    """Print a result to standard output, without delay, as a program may read along."""
    print(printable(text), flush=True)


def fail(text: object) -> NoReturn:
    """Print why the work failed and end with status 1."""
    say(f"beamhand: {text}")
    raise typer.Exit(1)


def reports_failures(command: Callable[..., None]) -> Callable[..., None]:
    """Let a command's own errors be one sentence and status 1."""

    @functools.wraps(command)
    def wrapped(*args: Any, **kwargs: Any) -> None:
        # ValueError is what every refused input raises; OSError what files and devices do.
        try:
            command(*args, **kwargs)
        except (ValueError, OSError) as error:
            fail(error)
        except ModuleNotFoundError as error:
            fail(missing(error.name))

    return wrapped
