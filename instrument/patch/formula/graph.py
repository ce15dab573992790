"""A formula as a graph of operations, each made once, and the instructions that it comes to."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, field

import numpy as np

from instrument.engine.formulas.instructions import (
    CONSTANT,
    FILLED,
    NAME,
    OPERATION_NUMBERS,
    TEMPORARY,
    Formula,
    refer,
)
from instrument.engine.memory.layout import FORMULA_ROWS, INSTRUCTION

MOST_INSTRUCTIONS = 256
"""Instructions that a formula may come to: more than anybody types, and a bound on what one may cost."""

MOST_CONSTANTS = 128
"""Different numbers in one formula; half of what all formulas of a patch may hold together."""

_MOST_NODES = 4 * MOST_INSTRUCTIONS

_FUSED: dict[tuple[str, int, str], str] = {
    ("add", 0, "multiply"): "multiply_add",
    ("add", 1, "multiply"): "multiply_add",
    ("subtract", 0, "multiply"): "multiply_subtract",
    ("subtract", 1, "multiply"): "subtract_product",
    ("multiply", 0, "add"): "add_multiply",
    ("multiply", 1, "add"): "add_multiply",
    ("multiply", 0, "subtract"): "subtract_multiply",
    ("multiply", 1, "subtract"): "subtract_multiply",
    ("multiply", 0, "multiply"): "multiply_multiply",
    ("multiply", 1, "multiply"): "multiply_multiply",
    ("add", 0, "add"): "add_add",
    ("add", 1, "add"): "add_add",
}
"""An operation, which of its two operands is the result of which other, and the one instruction that does both."""


class TooLargeError(ValueError):
    """A formula comes to more than may be played; the message says of what, in one clause."""


@dataclass(frozen=True)
class Node:
    """One value of a formula.

    Attributes
    ----------
    kind : str
        "constant", "name" or an operation of `OPERATIONS`.
    operands : tuple of int
        Numbers of the nodes it is made of.
    value : float
        Of a constant.
    name : str
        Of a name.
    """

    kind: str
    operands: tuple[int, ...] = ()
    value: float = 0.0
    name: str = ""


@dataclass
class FormulaGraph:
    """The values of one formula, in an order in which each comes after what it is made of."""

    nodes: list[Node] = field(default_factory=list)
    _known: dict[tuple[object, ...], int] = field(default_factory=dict)

    def constant(self, value: float) -> int:
        """Return the node of a number; 0 and -0 are two."""
        return self._once(("constant", struct.pack("d", value)), Node("constant", value=value))

    def name(self, name: str) -> int:
        """Return the node of a name."""
        return self._once(("name", name), Node("name", name=name))

    def operation(self, kind: str, *operands: int) -> int:
        """Return the node of an operation."""
        return self._once((kind, *operands), Node(kind, operands))

    def value_of(self, node: int) -> float | None:
        """Return the value of a constant, None for any other node."""
        found = self.nodes[node]
        return found.value if found.kind == "constant" else None

    def _once(self, key: tuple[object, ...], node: Node) -> int:
        known = self._known.get(key)
        if known is None:
            if len(self.nodes) >= _MOST_NODES:
                raise TooLargeError(f"it comes to more than {MOST_INSTRUCTIONS} instructions")
            known = len(self.nodes)
            self._known[key] = known
            self.nodes.append(node)
        return known


@dataclass
class _Step:
    kind: str
    operands: tuple[int, ...]
    result: int


# From graph to instructions in four passes, each over the result of the one before: join pairs of operations that one
# instruction does, order them, name what each reads, and give each result a row. The engine runs an instruction over all
# samples of a chunk before the next one, so what counts is the number of instructions and of rows, not of operations.


def _uses(nodes: list[Node], root: int) -> list[int]:
    # How often each node is read by what leads to the root; 0 where nothing does.
    uses = [0] * len(nodes)
    uses[root] = 1
    for index in range(root, -1, -1):
        if uses[index]:
            for operand in nodes[index].operands:
                uses[operand] += 1
    return uses


def _fuse(nodes: list[Node], root: int) -> dict[int, Node]:
    """Return the operations that are left when pairs which one instruction can do have been joined."""
    # From the root down, so that an operation joins with the results it reads before these look for partners of their own.
    # Only a result read once may vanish into its reader; no arithmetic is changed, and products are still rounded.
    uses = _uses(nodes, root)
    joined: dict[int, Node] = {}
    gone: set[int] = set()
    for index in range(root, -1, -1):
        if not uses[index] or index in gone:
            continue
        node = nodes[index]
        joined[index] = _joined_products(nodes, uses, node, gone) or _joined(nodes, uses, node, gone) or node
    return joined


def _joined_products(nodes: list[Node], uses: list[int], node: Node, gone: set[int]) -> Node | None:
    if node.kind not in {"add", "subtract"} or node.operands[0] == node.operands[1]:
        return None
    if any(nodes[k].kind != "multiply" or uses[k] != 1 for k in node.operands):
        return None
    gone.update(node.operands)
    left, right = node.operands
    return Node(f"products_{node.kind}", (*nodes[left].operands, *nodes[right].operands))


def _joined(nodes: list[Node], uses: list[int], node: Node, gone: set[int]) -> Node | None:
    if len(node.operands) != 2:
        return None
    for side, operand in enumerate(node.operands):
        found = _FUSED.get((node.kind, side, nodes[operand].kind))
        if found is not None and uses[operand] == 1:
            gone.add(operand)
            return Node(found, (*nodes[operand].operands, node.operands[1 - side]))
    return None


def _order(joined: dict[int, Node], root: int) -> list[int]:
    # Operands before what is made of them, and first the one that needs more rows (Sethi and Ullman 1970, for trees).
    needs: dict[int, int] = {}
    for index in sorted(joined):
        node = joined[index]
        below = sorted((needs[k] for k in set(node.operands)), reverse=True)
        own = 0 if node.kind == "constant" or (node.kind == "name" and node.name not in FILLED) else 1
        needs[index] = max([own, *(need + rank for rank, need in enumerate(below))])
    order: list[int] = []
    done: set[int] = set()
    waiting = [(root, False)]
    while waiting:
        index, ready = waiting.pop()
        if index in done:
            continue
        if ready:
            done.add(index)
            order.append(index)
            continue
        waiting.append((index, True))
        # The last one put in is taken out first.
        waiting.extend((k, False) for k in sorted(set(joined[index].operands), key=lambda k: needs[k]))
    return order


def _steps(joined: dict[int, Node], order: list[int], root: int) -> list[_Step]:
    steps = []
    for index in order:
        node = joined[index]
        if node.kind == "name" and node.name in FILLED:
            steps.append(_Step(FILLED[node.name], (), index))
        elif node.kind == "name" and node.name == "p":
            steps.append(_Step("place", (index,), index))
        elif node.kind not in {"constant", "name"}:
            steps.append(_Step(node.kind, node.operands, index))
    if not steps or steps[-1].result != root:
        steps.append(_Step("copy", (root,), len(joined) + _MOST_NODES))
    return steps


def instructions_of(graph: FormulaGraph, root: int) -> Formula:
    """Return a graph as instructions; the node `root` is the result.

    Raises
    ------
    TooLargeError
        If it comes to too many instructions, constants or rows at the same time.
    """
    joined = _fuse(graph.nodes, root)
    steps = _steps(joined, _order(joined, root), root)
    if len(steps) > MOST_INSTRUCTIONS:
        raise TooLargeError(f"it comes to {len(steps)} instructions, at most {MOST_INSTRUCTIONS} are played")
    return _with_rows(joined, steps)


def _with_rows(joined: dict[int, Node], steps: list[_Step]) -> Formula:
    constants: dict[int, int] = {}
    names: dict[int, int] = {}
    rows: dict[int, int] = {}
    # Linear-scan register allocation (M. Poletto and V. Sarkar, 1999): a row is free again after the last read of its value.
    last_read = {operand: k for k, step in enumerate(steps) for operand in step.operands}
    free = list(range(FORMULA_ROWS - 1, -1, -1))
    code: list[tuple[int, int, tuple[int, ...]]] = []
    unused = refer(TEMPORARY, 0)

    def reference(index: int) -> int:
        if index in rows:
            return refer(TEMPORARY, rows[index])
        if joined[index].kind == "constant":
            return refer(CONSTANT, constants.setdefault(index, len(constants)))
        return refer(NAME, names.setdefault(index, len(names)))

    for k, step in enumerate(steps):
        operands = [reference(operand) for operand in step.operands]
        if not free:
            raise TooLargeError(f"it holds more than {FORMULA_ROWS} values at the same time")
        # The target is taken before the operands are given up: a loop never writes what it reads.
        row = free.pop()
        ended = [operand for operand in set(step.operands) if operand in rows and last_read[operand] == k]
        free.extend(rows.pop(operand) for operand in ended)
        rows[step.result] = row
        padded = (*operands, unused, unused, unused, unused)[:4]
        code.append((OPERATION_NUMBERS[step.kind], refer(TEMPORARY, row), padded))
    if len(constants) > MOST_CONSTANTS:
        raise TooLargeError(f"it holds {len(constants)} different numbers, at most {MOST_CONSTANTS} are kept")
    return Formula(
        np.array(code, INSTRUCTION),
        tuple(joined[index].value for index in constants),
        tuple(joined[index].name for index in names),
        frozenset(node.name for node in joined.values() if node.kind == "name"),
    )


def is_power_of_two(value: float) -> bool:
    """Return whether dividing by a number is the same, bit for bit, as multiplying by its reciprocal."""
    fraction, exponent = math.frexp(value)
    return abs(fraction) == 0.5 and abs(exponent) < 1000
