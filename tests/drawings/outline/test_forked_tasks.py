"""Tasks shared out: the same answers in the same order from one process or from several."""

from __future__ import annotations

import os

import numpy as np
import pytest

from instrument.drawings.outline.forked_tasks import TaskError, shared_out


def powers(k: int) -> tuple[dict[str, object], list[np.ndarray]]:
    return {"k": k, "text": "a" * k}, [np.arange(k, dtype=np.float64) ** 2, np.full((k, 2), k, np.uint8)]


@pytest.mark.parametrize("processes", [1, 2, 3, 50])
def test_answers_come_in_order_and_are_counted_as_they_come(processes: int) -> None:
    told: list[int] = []
    found = shared_out(powers, 9, processes, told.append)
    assert told == list(range(1, 10))
    for k, (words, (numbers, table)) in enumerate(found):
        assert words == powers(k)[0]
        assert (numbers == powers(k)[1][0]).all()
        assert (table == powers(k)[1][1]).all()
        assert table.shape == (k, 2)


def test_a_process_that_ends_early_is_an_error_and_leaves_none_behind() -> None:
    def sudden(k: int) -> tuple[dict[str, object], list[np.ndarray]]:
        if k == 3:
            os._exit(9)
        return powers(k)

    with pytest.raises(TaskError, match="of 6 parts"):
        shared_out(sudden, 6, 2, lambda _: None)
    with pytest.raises(ChildProcessError):
        os.waitpid(-1, os.WNOHANG)
