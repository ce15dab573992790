"""Form: bends a layer's drawing between source and place, by the forms that the program lists, in its order."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.forms.along_path import chop, noise, ring, ripple
from instrument.engine.forms.delays_and_filters import HIGH, LOW, delay, filter_axes
from instrument.engine.forms.folding import copies, fold, lattice, mirror, wrap
from instrument.engine.forms.space import bend, pinch, shear, twist
from instrument.engine.memory.layout import FORM_KINDS

_TWIST = FORM_KINDS.index("twist")
_BEND = FORM_KINDS.index("bend")
_RIPPLE = FORM_KINDS.index("ripple")
_FOLD = FORM_KINDS.index("fold")
_WRAP = FORM_KINDS.index("wrap")
_MIRROR = FORM_KINDS.index("mirror")
_COPIES = FORM_KINDS.index("copies")
_LATTICE = FORM_KINDS.index("lattice")
_NOISE = FORM_KINDS.index("noise")
_SHEAR = FORM_KINDS.index("shear")
_PINCH = FORM_KINDS.index("pinch")
_DELAY = FORM_KINDS.index("delay")
_LOWPASS = FORM_KINDS.index("lowpass")
_HIGHPASS = FORM_KINDS.index("highpass")
_RING = FORM_KINDS.index("ring")
_CHOP = FORM_KINDS.index("chop")


@compiled
def _run_form(m, s, kind, layer, first, last):
    if kind == _TWIST:
        twist(m, s, layer, first, last)
    elif kind == _BEND:
        bend(m, s, layer, first, last)
    elif kind == _RIPPLE:
        ripple(m, s, layer, first, last)
    elif kind == _FOLD:
        fold(m, s, layer, first, last)
    elif kind == _WRAP:
        wrap(m, s, layer, first, last)
    elif kind == _MIRROR:
        mirror(m, s, layer, first, last)
    elif kind == _COPIES:
        copies(m, s, layer, first, last)
    elif kind == _LATTICE:
        lattice(m, s, layer, first, last)
    elif kind == _NOISE:
        noise(m, s, layer, first, last)
    elif kind == _SHEAR:
        shear(m, s, layer, first, last)
    elif kind == _PINCH:
        pinch(m, s, layer, first, last)
    elif kind == _DELAY:
        delay(m, s, layer, first, last)
    elif _LOWPASS <= kind <= _HIGHPASS:  # the one follows the other in the table
        filter_axes(m, s, layer, LOW if kind == _LOWPASS else HIGH, first, last)
    elif kind == _RING:
        ring(m, s, layer, first, last)
    elif kind == _CHOP:
        chop(m, s, layer, first, last)


@compiled
def run_forms(m, p, s, layer, first, last):
    """Lead x, y and z of a layer through its forms for samples first to last."""
    if last <= first:
        return
    # Unsigned bounds, so that the loops vectorise.
    a = np.uint64(first)
    b = np.uint64(last)
    for k in range(p.layers[layer].n_forms):
        _run_form(m, s, np.int64(p.layers[layer].forms[k]), layer, a, b)
