"""How an endless knob tells its clicks: recognised among the three usual codings from the values that it sends."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

_CLICKS = 31
"""Clicks in one message at most (common practice, no source: knobs that are turned fast send up to 15 or so)."""

_FEWEST = 3
_FEWEST_OF_TOP = 6
"""Values needed; more where they are all 127, which is also what a button sends that is pressed over and over."""

_CENTRE, _TOP, _SIGN = 64, 128, 64


class Coding(NamedTuple):
    """A coding that fits.

    Attributes
    ----------
    manner : str
        As a control of a patch names it.
    sure : bool
        Whether no other one fits; only a knob that was turned both ways can be told for sure.
    """

    manner: str
    sure: bool


def coding_of(values: Sequence[int]) -> Coding | None:
    """Return the coding of an endless knob, or None where a place is being told and not clicks.

    Parameters
    ----------
    values : sequence of int, 0..127
        As they came.

    Notes
    -----
    Whatever tells its place sends a value when it changes, so it does not send the same one twice in a row; clicks of
    one kind are the same value over and over. One click to the right is 1 in two's complement, 65 as an offset and 1
    with a sign; to the left it is 127, 63 and 65. So 1 alone is taken as two's complement and 65 alone as an offset.
    All of this is common practice, no source.

    Examples
    --------
    >>> coding_of([1, 1, 2, 1, 127, 127])
    Coding(manner='relative_twos', sure=True)
    >>> coding_of([65, 65, 65, 66])
    Coding(manner='relative_offset', sure=False)
    >>> coding_of([1, 1, 2, 65, 65])
    Coding(manner='relative_sign', sure=True)
    """
    repeats = sum(a == b for a, b in pairwise(values))
    if len(values) < _FEWEST or repeats < max(2, len(values) // 4):
        return None
    places = {_place(value) for value in values}
    if set(values) == {_TOP - 1} and len(values) < _FEWEST_OF_TOP:
        return None
    for places_of, manner, sure in (
        ({"low"}, "relative_twos", False),
        ({"top"}, "relative_twos", False),
        ({"low", "top"}, "relative_twos", True),
        ({"above"}, "relative_offset", False),
        ({"below"}, "relative_offset", True),
        ({"above", "below"}, "relative_offset", True),
        ({"low", "above"}, "relative_sign", True),
    ):
        if places == places_of:
            return Coding(manner, sure)
    return None


def _place(value: int) -> str:
    if 0 < value <= _CLICKS:
        return "low"
    if _CENTRE - _CLICKS <= value < _CENTRE:
        return "below"
    if _SIGN < value <= _SIGN + _CLICKS:
        return "above"
    return "top" if value >= _TOP - _CLICKS else "none"
