"""Running the forms that a layer lists, in its order, and starting them: fresh, or carried on from another instance."""

from __future__ import annotations

from typing import Any

import numpy as np

from instrument.engine.compiling.compiled import compiled, kernel_named, one_of
from instrument.engine.forms.form_table import FORM_KINDS, FORM_ROWS, FORM_STATE, FORM_TABLE
from instrument.engine.memory.machine import address, clear_words, copy_words
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in
from instrument.engine.signal.ramp import settle

FIRST_FORM_ROW = offset_in(LAYER, FORM_ROWS[0].name)

END_OF_FORM_ROWS = FIRST_FORM_ROW + len(FORM_ROWS)
"""End of the rows of forms among those of a layer."""


def _kernels(column: str) -> dict[int, Any]:
    # By the index of their kind; kinds that name none are left out.
    found = {k: getattr(kind, column) for k, kind in enumerate(FORM_TABLE.values())}
    return {k: kernel_named(f"forms.{path}") for k, path in found.items() if path}


def _words_before(kind: str) -> int:
    return int(FORM_STATE.fields[kind][1]) // 8 if FORM_STATE.fields is not None and kind in FORM_STATE.fields else 0


def _words_in(kind: str) -> int:
    # What a kind with kernels of its own remembers is not touched here.
    own = bool(FORM_TABLE[kind].start)
    return FORM_STATE[kind].itemsize // 8 if FORM_TABLE[kind].remembers and not own else 0


_run = one_of(_kernels("kernel"))
_start = one_of(_kernels("start"))
_carry = one_of(_kernels("carry"))

_KINDS = len(FORM_KINDS)
_COUNTS = np.array([len(kind.parameters) for kind in FORM_TABLE.values()], np.int64)
_FIRSTS = FIRST_FORM_ROW + np.cumsum(_COUNTS) - _COUNTS
_STATE_AT = np.array([8 * _words_before(kind) for kind in FORM_KINDS], np.uint64)
_STATE_WORDS = np.array([_words_in(kind) for kind in FORM_KINDS], np.int64)


@compiled
def run_forms(m, p, s, layer, first, last):
    """Lead x, y and z of a layer through its forms for samples first to last.

    In: the layer's drawing in scratch_x, scratch_y and scratch_z, and the pen's position, wraps and rounds.
    Out: the bent drawing in the same rows; what the forms remember.
    Never: touch a sample outside, or one of a form whose amount is 0.
    """
    if last <= first:
        return
    # Unsigned bounds, so that the loops vectorise.
    a = np.uint64(first)
    b = np.uint64(last)
    for k in range(p.layers[layer].n_forms):
        _run(np.int64(p.layers[layer].forms[k]), (m, s, layer, a, b))


@compiled
def lay_out_forms(p, s, layer):
    """Fill the rows of the forms that the layer lists; the others are read by nobody."""
    base = layer * LAYER_SIZE
    for k in range(p.layers[layer].n_forms):
        kind = p.layers[layer].forms[k]
        first = base + _FIRSTS[kind]
        for index in range(first, first + _COUNTS[kind]):
            settle(s, index, p.base[index])


@compiled
def _lists(p, layer, kind):
    # Whether the layer passes a form.
    found = False
    for k in range(p.layers[layer].n_forms):
        if p.layers[layer].forms[k] == kind:
            found = True
    return found


@compiled
def start_forms(m, p, s, before, old, layer, goes_on):
    """Let the forms of a layer begin, or with `goes_on` carry on what they remember in another instance.

    Only a form that both programs list carries on: what is not listed remembers nothing, so that it has nothing old to
    tell when it comes back.
    """
    for kind in range(_KINDS):
        at = address(s.forms[layer]) + _STATE_AT[kind]
        if goes_on and _lists(p, layer, kind) and _lists(before, layer, kind):
            copy_words(at, address(old.forms[layer]) + _STATE_AT[kind], _STATE_WORDS[kind])
            _carry(np.int64(kind), (m, p, s, old, layer))
        else:
            clear_words(at, _STATE_WORDS[kind])
            _start(np.int64(kind), (m, p, s, layer))
