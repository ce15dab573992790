"""Parser of typed formulas: Python's arithmetic and NumPy's names become instructions, and nothing else is let in."""

from __future__ import annotations

import ast
import difflib
import math
import warnings
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.formulas.instructions import LAYER_NAMES, NAMES
from instrument.engine.parameters import KNOBS
from instrument.patch.formula.functions import FUNCTIONS, NodeBuilder
from instrument.patch.formula.graph import FormulaGraph, TooLargeError, instructions_of

if TYPE_CHECKING:
    from collections.abc import Collection

    from instrument.engine.formulas.instructions import Formula

LONGEST = 2000
"""Characters that a formula may have."""

DEEPEST = 60
"""Levels of brackets, calls and signs that may be nested; sums and products of any length are one level."""

CONSTANTS = {"pi": math.pi, "tau": math.tau, "inf": math.inf, "nan": math.nan}

_BINARY: dict[type[ast.operator], str] = {
    ast.Add: "add",
    ast.Sub: "subtract",
    ast.Mult: "multiply",
    ast.Div: "divide",
    ast.FloorDiv: "floor_divide",
    ast.Mod: "mod",
    ast.Pow: "power",
}
_UNARY: dict[type[ast.unaryop], str] = {ast.USub: "negative", ast.UAdd: "positive", ast.Not: "logical_not"}
_COMPARISONS: dict[type[ast.cmpop], str] = {
    ast.Lt: "less",
    ast.LtE: "less_equal",
    ast.Gt: "greater",
    ast.GtE: "greater_equal",
    ast.Eq: "equal",
    ast.NotEq: "not_equal",
}
_REFUSED_NODES: dict[type[ast.AST], str] = {
    ast.Subscript: "square brackets are not known",
    ast.Lambda: "lambda is not known",
    ast.IfExp: "if and else are not known; write where(condition, a, b)",
    ast.NamedExpr: ":= is not known",
    ast.Starred: "a star before an operand is not known",
    ast.JoinedStr: "a text is not a number",
    ast.Tuple: "a comma only separates the numbers of a function",
    ast.Await: "await is not known",
    ast.Yield: "yield is not known",
    ast.YieldFrom: "yield is not known",
}
_REFUSED_OPERATORS: dict[type[ast.AST], str] = {
    ast.BitXor: "a power is written **, not ^",
    ast.MatMult: "@ is not known",
    ast.Invert: "~ is not known",
    ast.BitAnd: "& is not known; write and",
    ast.BitOr: "| is not known; write or",
    ast.LShift: "<< is not known",
    ast.RShift: ">> is not known",
}
_LOOKALIKE_SIGNS = {
    "\N{MULTIPLICATION SIGN}": "*",
    "\N{MIDDLE DOT}": "*",
    "\N{DIVISION SIGN}": "/",
    "\N{MINUS SIGN}": "-",
    "\N{GREEK SMALL LETTER PI}": "pi",
    "\N{GREEK SMALL LETTER TAU}": "tau",
    "\N{SUPERSCRIPT TWO}": "**2",
    "\N{SUPERSCRIPT THREE}": "**3",
    "\N{SQUARE ROOT}": "sqrt",
}
"""Signs of other keyboards for what is known here by another sign."""

_FUNCTIONS_IN_WORDS = "NumPy's elementary functions by its names (sin, arctan2, where ...), noise, saw, tri and pulse"
_ALLOWED = "numbers, names, arithmetic, comparisons and functions"


class FormulaError(ValueError):
    """A text is not a formula.

    Attributes
    ----------
    column : int
        Where the trouble begins, counted from 1.
    reason : str
        What is wrong and what is allowed, without the column and without a full stop.
    """

    def __init__(self, column: int, reason: str) -> None:
        super().__init__(f"column {column}: {reason}")
        self.column = column
        self.reason = reason


def compile_formula(text: str, names: Collection[str] = tuple(NAMES)) -> Formula:
    """Return the instructions of a typed formula.

    Parameters
    ----------
    text : str
        Numbers, names, ``+ - * / // % **``, comparisons (1 where they hold, 0 elsewhere; chains too), ``and``, ``or``,
        ``not`` (which give 1 or 0) and calls of `FUNCTIONS`; line breaks count as spaces.
    names : collection of str
        Names that may be read; those of `NAMES` by default.

    Raises
    ------
    FormulaError
        If it is anything else, or comes to more than `MOST_INSTRUCTIONS` instructions.

    See Also
    --------
    instrument.patch.formula.functions.FUNCTIONS : what may be called.
    instrument.patch.formula.graph.instructions_of : from values to instructions.

    Source
    ------
    Precedence: Python Language Reference, 6.17. Numbers: IEEE 754-2019; 1/0 is infinity, 0/0 nan.

    Examples
    --------
    >>> formula = compile_formula("0.5 * sin(tau * 3 * p) + a")
    >>> sorted(formula.reads), len(formula.instructions)
    (['a', 'p'], 4)
    >>> compile_formula("2 * sine(p)")
    Traceback (most recent call last):
        ...
    instrument.patch.formula.parser.FormulaError: column 5: sine is not a function here; did you mean sin?
    """
    # Three bounds, each before the work that it bounds: characters before Python's parser, which recurses; levels while the
    # tree is walked; nodes and instructions while the graph grows.
    body, shift = _parse(text)
    reader = _Reader(frozenset(names), text, shift)
    with np.errstate(all="ignore"):
        root = reader.read(body, 0)
    try:
        return instructions_of(reader.graph, root)
    except TooLargeError as error:
        raise FormulaError(1, f"the formula is too large: {error}") from None


def _parse(text: str) -> tuple[ast.expr, int]:
    # The expression, and how many columns were left out before it.
    if len(text) > LONGEST:
        raise FormulaError(LONGEST + 1, f"the formula has {len(text)} characters, at most {LONGEST} are read")
    for column, sign in enumerate(text, 1):
        if sign in _LOOKALIKE_SIGNS:
            raise FormulaError(column, f"{sign} is not known; write {_LOOKALIKE_SIGNS[sign]}")
        if sign == "#":
            raise FormulaError(column, "a formula has no comments; # is not known")
        if not (" " <= sign <= "~" or sign in "\t\r\n") or sign == "\\":
            raise FormulaError(column, f"the character {sign!r} is not known; a formula holds {_ALLOWED}")
    line = "".join(" " if sign in "\t\r\n" else sign for sign in text)
    start = len(line) - len(line.lstrip())
    line = line.strip()
    if not line:
        raise FormulaError(1, f"the formula is empty; it holds {_ALLOWED}")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return ast.parse(line, mode="eval").body, start
    except SyntaxError as error:
        # What is missing at the end is reported at no column, or on a line that is not there.
        at_end = (error.lineno or 1) > 1 or not error.offset
        column = len(line) + 1 if at_end else min(error.offset or 1, len(line) + 1)
        raise FormulaError(start + column, _syntax(line, column, error.msg)) from None
    except (ValueError, RecursionError, MemoryError):
        raise FormulaError(start + 1, f"the formula is nested too deeply; at most {DEEPEST} levels are read") from None


def _syntax(line: str, column: int, message: str) -> str:
    if column > len(line) or "EOF" in message:
        return "the formula ends too early; something is missing"
    if "never closed" in message:
        return f"the bracket {line[column - 1]} is never closed"
    if "unmatched" in message:
        return f"the bracket {line[column - 1]} closes nothing"
    if "too many nested" in message:
        return f"the formula is nested too deeply; at most {DEEPEST} levels are read"
    if line[column - 1] == "=":
        return "= is not known; equality is written =="
    return f"this cannot be read from here on; a formula holds {_ALLOWED}"


def _near(name: str, known: Collection[str], otherwise: str) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    return f"; did you mean {near[0]}?" if near else f"; there are {otherwise}"


def _names_in_words(names: list[str]) -> str:
    # a to h and the layers in short, where all of them are there.
    known_names = [name for name in names if name not in KNOBS and name not in LAYER_NAMES]
    for row in (KNOBS, LAYER_NAMES[::2], LAYER_NAMES[1::2]):
        found = [name for name in row if name in names]
        known_names += [f"{row[0]} to {row[-1]}"] if len(found) == len(row) else found
    return ", ".join(known_names)


class _Reader:
    # Walks over the tree that Python's parser makes, which may hold anything, and makes a graph of what is known.

    def __init__(self, names: frozenset[str], text: str, shift: int) -> None:
        self.graph = FormulaGraph()
        self.maker = NodeBuilder(self.graph)
        self.names = names
        self.text = text
        self.shift = shift

    def error_at(self, node: ast.expr, reason: str) -> FormulaError:
        return FormulaError(self.shift + node.col_offset + 1, reason)

    def error_after(self, node: ast.expr, reason: str) -> FormulaError:
        # At the sign that follows an operand, past its brackets.
        at = self.shift + (node.end_col_offset or 0)
        behind = self.text[at:]
        return FormulaError(at + len(behind) - len(behind.lstrip(") \t\r\n")) + 1, reason)

    def read(self, node: ast.expr, depth: int) -> int:
        if depth > DEEPEST:
            raise self.error_at(node, f"the formula is nested too deeply; at most {DEEPEST} levels are read")
        try:
            return self._read(node, depth)
        except TooLargeError as error:
            raise self.error_at(node, f"the formula is too large: {error}") from None

    def _read(self, node: ast.expr, depth: int) -> int:
        match node:
            case ast.Constant() | ast.Name():
                return self._name(node, node.id) if isinstance(node, ast.Name) else self._constant(node)
            case ast.BinOp():
                return self._chain(node, depth)
            case ast.UnaryOp(op=op, operand=operand) if type(op) in _UNARY:
                return self.maker.make(_UNARY[type(op)], self.read(operand, depth + 1))
            case ast.BoolOp(op=op, values=values):
                kind = "logical_and" if isinstance(op, ast.And) else "logical_or"
                return self._folded_from_left(kind, [self.read(value, depth + 1) for value in values])
            case ast.Compare():
                return self._compare(node, depth)
            case ast.Call():
                return self._call(node, depth)
            case ast.Attribute(value=value):
                raise self.error_after(value, "a dot leads nowhere; write functions by their bare name, as in sin(t)")
            case ast.UnaryOp(op=op):
                raise self.error_at(node, _REFUSED_OPERATORS[type(op)])
        raise self.error_at(node, f"{_REFUSED_NODES.get(type(node), 'this is not known')}; a formula holds {_ALLOWED}")

    def _constant(self, node: ast.Constant) -> int:
        value = node.value
        if isinstance(value, bool) or not isinstance(value, int | float):
            kind = {str: "a text", bytes: "a text", complex: "a complex number"}.get(type(value), str(value))
            raise self.error_at(node, f"{kind} is not a number that can be drawn; a formula holds {_ALLOWED}")
        try:
            return self.graph.constant(float(value))
        except OverflowError:
            return self.graph.constant(math.inf)

    def _name(self, node: ast.expr, name: str) -> int:
        if name in CONSTANTS:
            return self.graph.constant(CONSTANTS[name])
        if name in self.names:
            return self.graph.name(name)
        if name in FUNCTIONS:
            raise self.error_at(node, f"{name} is a function; write {name}(...)")
        known = [*CONSTANTS, *(known for known in NAMES if known in self.names)]
        known_names = _names_in_words(known)
        if name in NAMES:
            raise self.error_at(node, f"{name} cannot be read here; there are {known_names}")
        raise self.error_at(node, f"{name} is not a name here{_near(name, known, known_names)}")

    def _chain(self, node: ast.BinOp, depth: int) -> int:
        # A long sum is nested to the left as often as it has terms; that is no depth of the formula.
        spine = [node]
        while isinstance(spine[-1].left, ast.BinOp):
            spine.append(spine[-1].left)
        for link in spine:
            if type(link.op) not in _BINARY:
                raise self.error_after(link.left, _REFUSED_OPERATORS[type(link.op)])
        result = self.read(spine[-1].left, depth + 1)
        for link in reversed(spine):
            right = self.read(link.right, depth + 1)
            try:
                result = self.maker.make(_BINARY[type(link.op)], result, right)
            except TooLargeError as error:
                raise self.error_at(link.right, f"the formula is too large: {error}") from None
        return result

    def _compare(self, node: ast.Compare, depth: int) -> int:
        for op in node.ops:
            if type(op) not in _COMPARISONS:
                raise self.error_at(node, "is and in are not known; comparisons are < <= > >= == !=")
        values = [self.read(value, depth + 1) for value in (node.left, *node.comparators)]
        pairs = [
            self.maker.make(_COMPARISONS[type(op)], a, b)
            for op, a, b in zip(node.ops, values, values[1:], strict=False)
        ]
        return self._folded_from_left("logical_and", pairs)

    def _folded_from_left(self, kind: str, values: list[int]) -> int:
        result = values[0]
        for value in values[1:]:
            result = self.maker.make(kind, result, value)
        return result

    def _call(self, node: ast.Call, depth: int) -> int:
        if not isinstance(node.func, ast.Name):
            raise self.error_at(node, f"only a function can be called by its name; a formula holds {_ALLOWED}")
        name = node.func.id
        if name not in FUNCTIONS:
            if name in self.names or name in CONSTANTS:
                raise self.error_at(node, f"{name} is a number, not a function; a product is written with *")
            raise self.error_at(node, f"{name} is not a function here{_near(name, FUNCTIONS, _FUNCTIONS_IN_WORDS)}")
        if node.keywords:
            raise self.error_at(node, f"{name} takes numbers in their order, none by a name with =")
        function = FUNCTIONS[name]
        for argument in node.args:
            if isinstance(argument, ast.Starred):
                raise self.error_at(argument, _REFUSED_NODES[ast.Starred])
        if not function.fewest <= len(node.args) <= function.most:
            raise self.error_at(node, f"{name} takes {function.wanted}, not {len(node.args)}")
        return self.maker.make(name, *[self.read(argument, depth + 1) for argument in node.args])
