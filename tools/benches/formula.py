"""Cost of formulas: the engine's instructions beside the same expression compiled directly by numba."""

from __future__ import annotations

import ast
import statistics
import time
from typing import Any

import llvmlite.binding
import numba
import numpy as np
from numba import carray, cfunc, types

import instrument.engine.compiling.unit_entries  # noqa: F401 - compiles or loads the units
from instrument.engine.compiling.units import FORMULA
from instrument.engine.formulas.instructions import MODULATOR_LOCATION
from instrument.engine.memory.allocation import allocate
from instrument.engine.parameters import index_of
from instrument.engine.program import new_program
from instrument.patch.formula.parser import compile_formula

BLOCK = 64
REPEATS = 500
ROUNDS = 201

EXPRESSIONS = {
    "short": "sin(tau * p) * a",
    "middling": "sin(tau * (3 * p + b)) * (0.7 + 0.3 * cos(tau * 5 * p)) / (1 + c * c)",
    "long": (
        "where(p < 0.5, sin(tau * (p * a + t)), cos(tau * p * b)) * exp(-c * p) + 0.3 * tanh(4 * sin(tau * 7 * p) + d)"
        " - 0.1 * abs(2 * (p * e - floor(p * e)) - 1) * sqrt(f * f + p * p) + min(g, h * p) * sin(tau * 3 * p) ** 2"
    ),
    "arithmetic alone": "(a * p + b) * (c - p) + d * p * p - e / (1 + p * p)",
}

_DIRECT = types.void(types.voidptr, types.voidptr)
_KNOBS = "abcdefgh"
_ROWS = ("p", "t", *_KNOBS)


def _direct_function(number: int, text: str) -> tuple[Any, Any]:
    # Rows come as one array of (names, BLOCK); the loop is what anybody would write.
    names = "".join(f"    {name} = rows[{k}]\n" for k, name in enumerate(_ROWS))
    body = _with_samples(text)
    source = (
        f"def direct(out_pointer, rows_pointer):\n    out = carray(out_pointer, {BLOCK}, float64)\n"
        f"    rows = carray(rows_pointer, ({len(_ROWS)}, {BLOCK}), float64)\n{names}"
        f"    for i in range({BLOCK}):\n        out[i] = {body}\n"
    )
    scope: dict[str, Any] = {"carray": carray, "float64": types.float64, "tau": 2 * np.pi}
    for name in ("sin", "cos", "exp", "tanh", "floor", "sqrt"):
        scope[name] = getattr(np, name)
    exec(source, scope)  # noqa: S102 - the text is this file's own
    entry = cfunc(_DIRECT, error_model="numpy")(scope["direct"])
    llvmlite.binding.add_symbol(f"bench_direct_{number}", entry.address)
    return entry, types.ExternalFunction(f"bench_direct_{number}", _DIRECT)


class _Samples(ast.NodeTransformer):
    # Each name of a row becomes its sample, where(...) the choice that anybody would write.

    def visit_Name(self, node: ast.Name) -> ast.expr:
        return ast.parse(f"{node.id}[i]", mode="eval").body if node.id in _ROWS else node

    def visit_Call(self, node: ast.Call) -> ast.expr:
        arguments = [self.visit(argument) for argument in node.args]
        if isinstance(node.func, ast.Name) and node.func.id == "where":
            return ast.IfExp(*arguments)
        return ast.Call(node.func, arguments, [])


def _with_samples(text: str) -> str:
    return ast.unparse(_Samples().visit(ast.parse(text, mode="eval")))


def bench_formulas() -> None:
    """Print a table of cost ratios, each the median of rounds in which both sides are measured in turn."""
    print(f"| formula | instructions | ns/sample | numba directly | ours / numba (range), {BLOCK} frames |")
    print("| --- | --- | --- | --- | --- |")
    rng = np.random.default_rng(1)
    rows = rng.uniform(0.1, 0.9, (len(_ROWS), BLOCK))
    memory = allocate(48000.0, ring_seconds=0.01)
    record = memory.record
    instance = record["instances"][0]
    instance["slot"] = 0
    record["scratch_position"] = rows[0]
    for k, knob in enumerate(_KNOBS):
        instance["rows"][index_of(f"layer.1.source.{knob}")] = rows[2 + k]
    rows[1] = np.arange(BLOCK) / 48000.0
    for number, (name, text) in enumerate(EXPRESSIONS.items()):
        program = new_program()
        program.draw_formula(0, (compile_formula(text),))
        record["bank"][0] = program.record
        layer = program.record["layers"][0]
        code, count = int(layer["code"][0]), int(layer["instructions"][0])
        kept, direct = _direct_function(number, text)
        out = np.zeros(BLOCK)
        run_ours, run_direct = _loops_for(direct, memory.address, code, count, out, rows)
        run_ours(1)
        run_direct(1)
        np.testing.assert_allclose(instance["modulator_rows"][0], out, rtol=1e-12, atol=1e-12)
        ours: list[float] = []
        theirs: list[float] = []
        for _ in range(ROUNDS):
            for run, found in ((run_ours, ours), (run_direct, theirs)):
                began = time.thread_time()
                run(REPEATS)
                found.append((time.thread_time() - began) * 1e9 / (REPEATS * BLOCK))
        ratios = [a / b for a, b in zip(ours, theirs, strict=True)]
        print(
            f"| {name} | {count} | {statistics.median(ours):.2f} | {statistics.median(theirs):.2f} "
            f"| {statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f}) |",
            flush=True,
        )
        del kept


def _loops_for(direct: Any, address: int, code: int, count: int, out: Any, rows: Any) -> tuple[Any, Any]:
    ours_call = FORMULA.call

    @numba.njit(nogil=True)  # type: ignore[untyped-decorator]
    def ours(memory: Any, first: int, many: int, repeats: int) -> None:
        for _ in range(repeats):
            ours_call(memory, 0, first, many, MODULATOR_LOCATION, 0, BLOCK)

    @numba.njit(nogil=True)  # type: ignore[untyped-decorator]
    def theirs(to: Any, given: Any, repeats: int) -> None:
        for _ in range(repeats):
            direct(to, given)

    return (
        lambda repeats: ours(address, code, count, repeats),
        lambda repeats: theirs(out.ctypes.data, rows.ctypes.data, repeats),
    )


if __name__ == "__main__":
    bench_formulas()
