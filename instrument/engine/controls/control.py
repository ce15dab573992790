"""The patch's table of controls, in compiled code: what a raw value does to parameters and which actions it asks for."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.controls.grip import is_down, turned, value_on_curve
from instrument.engine.controls.snapshots import move_parameter
from instrument.engine.memory.layout import ASKS, MANNERS, MESSAGES

CC = MESSAGES.index("cc")
CC14 = MESSAGES.index("cc14")
NOTE = MESSAGES.index("note")
GATE = MESSAGES.index("gate")
_TOGGLE = MANNERS.index("toggle")
_RADIO = MANNERS.index("radio")

_TOP = 127.0

LET_GO = -1
"""In place of a message: a key is no longer held, and what it held goes to the notes that are."""


@inlined
def _listens(control, channel, number):
    # Whether a control takes messages of this channel and this controller or key.
    right_channel = control.channel < 0 or control.channel == channel
    return right_channel and (control.number < 0 or control.number == number)


@compiled
def ask(m, action, value):
    """Have an action carried out when the event that asks for it has been applied."""
    if m.asked_at < ASKS:
        asked = m.asked[m.asked_at]
        asked.action = action
        asked.value = value
        m.asked_at += 1


@compiled
def _ends(m, control, channel):
    # Both ends of the range; that of a bend may be what the channel has been told.
    if control.by_bend_range != 0:
        bend_range = m.channels[max(channel, 0)].bend_range
        return -bend_range, bend_range
    return control.lo, control.hi


@compiled
def _give(m, p, s, k, value):
    control = p.controls[k]
    s.controls[k].value = value
    move_parameter(m, p, s, np.int64(control.param), value)


@compiled
def _press(m, p, s, k, down, low, high):
    # A button acts when it goes down, and not again before it has come up.
    control = p.controls[k]
    state = s.controls[k]
    went_down = down and state.down == 0
    state.down = 1 if down else 0
    if not went_down:
        return
    if control.action != 0:
        ask(m, control.action, control.argument)
    elif control.manner == _TOGGLE:
        _give(m, p, s, k, low if s.target[control.param] == high else high)
    else:
        for other in range(p.n_controls):
            rest = p.controls[other]
            if rest.manner == _RADIO and rest.group == control.group and rest.param != control.param:
                _give(m, p, s, other, rest.lo)
        _give(m, p, s, k, high)


@compiled
def _hear(m, p, s, k, channel, raw, top):
    control = p.controls[k]
    low, high = _ends(m, control, channel)
    if control.action != 0 and control.argument != control.argument:
        ask(m, control.action, raw + 1.0)  # what is chosen is counted from 1
    elif control.action != 0 or control.manner == _TOGGLE or control.manner == _RADIO:
        _press(m, p, s, k, is_down(control, raw, top), low, high)
    elif control.message == CC or control.message == CC14:
        moves, value = turned(m, p, s, k, low, high, raw, top)
        if moves:
            _give(m, p, s, k, value)
    else:
        _give(m, p, s, k, value_on_curve(p, control, low, high, raw, top))


@compiled
def _newest_for(m, control):
    # The newest held note that a control listens to, or -1.
    newest = -1
    for k in range(m.n_held_notes):
        if _listens(control, m.held_notes[k].channel, m.held_notes[k].key):
            newest = k
    return newest


@compiled
def _hand_back(m, p, s, channel, key):
    # For each control, the newest note that it still hears takes over; its gate closes behind the last.
    for k in range(p.n_controls):
        control = p.controls[k]
        if not _listens(control, channel, key):
            continue
        newest = _newest_for(m, control)
        if control.message == NOTE and newest >= 0:
            _hear(m, p, s, k, channel, m.held_notes[newest].key * 1.0, _TOP)
        elif control.message == GATE and newest < 0:
            _hear(m, p, s, k, channel, 0.0, 1.0)


@compiled
def drive(m, p, s, message, channel, number, raw, top):
    """Let every control that listens to a message act on a raw value between 0 and `top`.

    In: the message, its channel and number. Out: parameters on their way, and actions asked for.
    Never: an action within this: it may change the program whose controls are being gone through (`events._answer`).
    """
    if message == LET_GO:
        _hand_back(m, p, s, channel, number)
        return
    for k in range(p.n_controls):
        control = p.controls[k]
        if control.message == message and _listens(control, channel, number):
            _hear(m, p, s, k, channel, raw, top)
