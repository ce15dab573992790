"""The order of evaluation of modulators and links, and which links must be delayed for there to be one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.engine.memory.layout import STEP_BASE, STEP_LINK, STEP_MODULATOR
from instrument.engine.modulators.modulator_table import MODULATOR_NONE, MODULATOR_TABLE
from instrument.engine.parameters import (
    LINK_BASE,
    LINK_SIZE,
    MODULATOR_BASE,
    MODULATOR_SIZE,
    MODULATORS,
    PATCH,
    PATCH_BASE,
)

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


_TEMPO_FIRST = PATCH_BASE + min(k for k, row in enumerate(PATCH) if row.name.startswith("tempo."))
_TEMPO_BEHIND = PATCH_BASE + max(k for k, row in enumerate(PATCH) if row.name.startswith("tempo.")) + 1


def _moves_tempo(param: int) -> bool:
    return _TEMPO_FIRST <= param < _TEMPO_BEHIND


def _owner(param: int) -> tuple[int, int] | None:
    # What is evaluated from a parameter: a modulator, a link, or something that no link waits for.
    if MODULATOR_BASE <= param < LINK_BASE:
        return STEP_MODULATOR, (param - MODULATOR_BASE) // MODULATOR_SIZE
    if LINK_BASE <= param < PATCH_BASE:
        return STEP_LINK, (param - LINK_BASE) // LINK_SIZE
    return None


def delayed_links(record: npt.NDArray[np.void]) -> list[bool]:
    """Return which links act `layout.FEEDBACK_DELAY_SAMPLES` samples late because they would close a circle.

    Links are taken in the order of their numbers. One that would close a circle with those before it that are not delayed
    is delayed: of the links of a circle it is the last one. Modulators go by the tempo, so links to it are always delayed.
    """
    after: dict[tuple[int, int], set[tuple[int, int]]] = {}
    delayed = []
    for number, row in enumerate(record["links"][: int(record["n_links"])]):
        modulator, link = (STEP_MODULATOR, int(row["modulator"])), (STEP_LINK, number)
        owner = _owner(int(row["param"]))
        closes = owner is not None and (
            owner in {modulator, link} or _leads_to(after, owner, modulator) or _leads_to(after, owner, link)
        )
        delayed.append(closes or _moves_tempo(int(row["param"])))
        if not delayed[-1]:
            after.setdefault(modulator, set()).add(link)
            if owner is not None:
                after.setdefault(link, set()).add(owner)
    return delayed


def _leads_to(
    after: dict[tuple[int, int], set[tuple[int, int]]], first: tuple[int, int], last: tuple[int, int]
) -> bool:
    waiting, seen = [first], {first}
    while waiting:
        here = waiting.pop()
        if here == last:
            return True
        new = after.get(here, set()) - seen
        seen |= new
        waiting.extend(new)
    return False


def order_steps(record: npt.NDArray[np.void]) -> tuple[list[tuple[int, int]], int]:
    """Return (operation, index) steps such that everything is evaluated before it is used, those of the tempo first.

    A linked parameter's own row is begun first, then its links follow, each after its modulator and
    after the links that move its depth, offset and bend; a modulator comes after links to its parameters. Links that
    are delayed wait for nothing.

    Returns
    -------
    steps : list of (int, int)
    before_tempo : int
        How many of them move parameters of the tempo.

    Raises
    ------
    ValueError
        If a link's modulator is not in use.
    """
    # Depth first: a parameter asks for what moves it before it is begun, so that the steps come out in topological order.
    # Nothing can ask for itself, because delayed links ask for nothing.
    rows = record["links"][: int(record["n_links"])]
    by_target: dict[int, list[int]] = {}
    for number, row in enumerate(rows):
        if record["modulators"]["kind"][row["modulator"]] == MODULATOR_NONE:
            raise ValueError(f"link {number + 1} is moved by modulator {row['modulator'] + 1}, which is not in use")
        by_target.setdefault(int(row["param"]), []).append(number)
    steps: list[tuple[int, int]] = []
    done: set[tuple[str, int]] = set()

    def visit(kind: str, index: int) -> None:
        if (kind, index) in done:
            return
        done.add((kind, index))
        if kind == "modulator":
            first = MODULATOR_BASE + index * MODULATOR_SIZE
            for param in range(first, first + MODULATOR_SIZE):
                visit("param", param)
            steps.append((STEP_MODULATOR, index))
        elif index in by_target:
            for number in by_target[index]:
                if not rows["delayed"][number]:
                    visit("modulator", int(rows["modulator"][number]))
                    first = LINK_BASE + number * LINK_SIZE
                    for param in range(first, first + LINK_SIZE):
                        visit("param", param)
            steps.append((STEP_BASE, index))
            steps.extend((STEP_LINK, number) for number in by_target[index])

    for param in range(_TEMPO_FIRST, _TEMPO_BEHIND):
        visit("param", param)
    before_tempo = len(steps)
    for param in by_target:
        visit("param", param)
    for number in range(MODULATORS):
        if record["modulators"]["kind"][number] != MODULATOR_NONE:
            visit("modulator", number)
    return steps, before_tempo


def lay_schedule(record: npt.NDArray[np.void]) -> None:
    """Write a program's schedule into it: which links are delayed, the steps in their order, and whether anything is fed back.

    Raises
    ------
    ValueError
        If a link's modulator is not in use.
    """
    links = record["links"][: int(record["n_links"])]
    links["delayed"] = delayed_links(record)
    steps, before_tempo = order_steps(record)
    record["tempo_steps"] = before_tempo
    record["n_steps"] = len(steps)
    for k, step in enumerate(steps):
        record["schedule"][k] = step
    reads_layers = [number for number, kind in enumerate(MODULATOR_TABLE.values(), start=1) if kind.reads_layers]
    if links["delayed"].any() or not set(reads_layers).isdisjoint(record["modulators"]["kind"].tolist()):
        record["feeds_back"] = 1
