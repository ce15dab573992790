"""Formulas while they play: a program of instructions, each of which fills a row of samples from other rows."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.formulas.instructions import OPERATION_NUMBERS
from instrument.engine.formulas.libm import run_libm, run_libm_of_two, settle_far
from instrument.engine.formulas.loops import TILE, run_vectors
from instrument.engine.memory.machine import address, load, store
from instrument.engine.numeric.safe_math import finite

_TIME = OPERATION_NUMBERS["time"]
_NOTE = OPERATION_NUMBERS["note"]
_VELOCITY = OPERATION_NUMBERS["velocity"]
_FIRST_OF_LIBM = OPERATION_NUMBERS["tan"]
_FIRST_OF_TWO = OPERATION_NUMBERS["power"]
_SHIFT = np.uint64(TILE.bit_length() - 1)


@inlined
def _address(memory, instance, program, location):
    # Where a row begins; see `instructions` for locations.
    kind = location >> np.int32(28)
    base = program if kind == 2 else (instance if kind == 1 else memory)
    return base + (np.uint64(location & np.int32(0x0FFFFFFF)) << np.uint64(3))


@compiled
def _fill_time(target, time, goes, rate, n):
    for i in range(n):
        store(target, i, (time + goes * np.int64(i)) / rate)


@compiled
def _fill(target, value, n):
    for i in range(n):
        store(target, i, value)


@compiled
def _deliver(target, a, first, last):
    # Only the samples asked for, and nothing that could poison what is made of them.
    for i in range(first, last):
        store(target, i, finite(load(a, i)))


@compiled
def run_formula(m, p, s, code, count, location, first, last):
    """Run instructions `code` to `code + count` of a program, and leave samples first to last at a location.

    Temporary rows are filled in whole tiles, whose ends may lie outside; no value there reaches a sample of the
    result.
    """
    memory = address(m)
    instance = address(s)
    program = address(p)
    begin = np.uint64(first) >> _SHIFT
    tiles = ((np.uint64(last) + np.uint64(TILE - 1)) >> _SHIFT) - begin
    begin = begin << _SHIFT
    skipped = begin << np.uint64(3)
    n = tiles << _SHIFT
    row = memory
    for k in range(count):
        i = p.code[code + k]
        op = i.operation
        row = _address(memory, instance, program, i.target)
        target = row + skipped
        a = _address(memory, instance, program, i.operands[0]) + skipped
        b = _address(memory, instance, program, i.operands[1]) + skipped
        c = _address(memory, instance, program, i.operands[2]) + skipped
        d = _address(memory, instance, program, i.operands[3]) + skipped
        if op >= _FIRST_OF_TWO:
            run_libm_of_two(op, target, a, b, n)
        elif op >= _FIRST_OF_LIBM:
            run_libm(op, target, a, n)
        elif op == _TIME:
            goes = np.int64(0 if m.frozen != 0 else 1)
            _fill_time(target, m.time - m.still_time + goes * np.int64(begin) - s.began, goes, m.rate, n)
        elif op == _NOTE:
            _fill(target, m.note_key, n)
        elif op == _VELOCITY:
            _fill(target, m.note_velocity, n)
        elif run_vectors(op, target, a, b, c, d, tiles) != np.uint64(0):
            settle_far(op, target, a, b, n)
    _deliver(_address(memory, instance, program, np.int32(location)), row, np.uint64(first), np.uint64(last))
