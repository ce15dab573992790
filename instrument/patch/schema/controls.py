"""Controls of a patch file: the MIDI message, the parameter it moves, how far and by which curve."""

from itertools import pairwise
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, ValidationInfo, WithJsonSchema, model_validator

from instrument.engine.memory.layout import ACTIONS, CURVE_POINTS, CURVES, GRIPS, MANNERS, MESSAGES
from instrument.engine.parameters import FORMER_ADDRESSES, INDEX
from instrument.patch.number import NumberError, note_to_key
from instrument.patch.patch_errors import did_you_mean, listed
from instrument.patch.schema.fields import Number, Table, Text, one_of, refusal, whole
from instrument.patch.schema.former_words import Formerly, in_present_words

NUMBERLESS = ("bend", "pressure", "program")

NUMBERED = {"cc": 127, "cc14": 31, "rpn": 16383, "nrpn": 16383}
"""Messages that are told apart by their number, and the highest of each."""

TURNED = ("cc", "cc14")
"""Messages of knobs, which may have to take hold of their parameter."""

COUNTED = ("patch", "snapshot", "morph")
"""Actions that choose one of several, counted from 1, by what they hear unless the file says which."""

SWITCHED = ("blackout", "freeze")
"""Actions that change over, unless the file says 1 for on or 2 for off."""

OF_GESTURES = ("gesture", "overdub", "clear")
"""Actions upon one of the gestures, counted from 1; the first one unless the file says which."""

SWITCHES = ("on", "off")

CHOOSING = (*COUNTED, *SWITCHED, *OF_GESTURES)

FULL_SWEEP: dict[str, tuple[float, float]] = {"note": (0.0, 127.0), "bend": (-2.0, 2.0)}
"""Ranges where the file gives none, unlike 0 to 1: a note sets its own key number; a bend is two semitones, which is
common practice, no source."""


_GRIP = Formerly(keys=("takeover",), words=(("pickup", "catch"), ("scaled", "proportional")))


def _address(value: Any, info: ValidationInfo) -> str:
    value = in_present_words(value, FORMER_ADDRESSES, info)
    if not isinstance(value, str) or value not in INDEX:
        near = did_you_mean(value, INDEX) if isinstance(value, str) else ""
        raise refusal("it takes the address of a parameter, such as layer.1.place.spin.y", near)
    return value


Address = Annotated[str, BeforeValidator(_address), WithJsonSchema({"type": "string", "pattern": r"^[a-z]+[.]"})]
"""The address of a parameter."""


def _channel(value: Any) -> Any:
    if value == "any" or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 16):
        return value
    raise refusal('it takes a MIDI channel from 1 to 16, or "any"')


def _message_number(value: Any) -> Any:
    if isinstance(value, str) and value != "any":
        try:
            value = note_to_key(value)
        except NumberError:
            value = None
    if value == "any" or (isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 16383):
        return value
    raise refusal(
        'it takes a number from 0 to 127 (parameter numbers to 16383), a note name such as C#4 for a key, or "any"'
    )


def _range(value: Any) -> Any:
    if not isinstance(value, list) or len(value) != 2:
        raise refusal("it takes two numbers, where the sweep begins and where it ends, as [0, 1]")
    return value


def _points(value: Any) -> Any:
    wrong = (
        [k for k, pair in enumerate(value) if not isinstance(pair, list) or len(pair) != 2]
        if isinstance(value, list)
        else []
    )
    if not isinstance(value, list) or len(value) < 2 or wrong:
        allowed = "it takes at least two pairs of sweep and place in the range, as [[0, 0], [0.5, 0.9], [1, 1]]"
        raise refusal(allowed, at=wrong[0] if wrong else None)
    if len(value) > CURVE_POINTS:
        raise refusal(f"it holds {len(value)} pairs, and all controls together have {CURVE_POINTS}")
    return value


class Control(Table):
    """MIDI message to parameter or action."""

    message: Annotated[str, *one_of(MESSAGES[1:])] = Field(
        description="kind of MIDI message listened to: note is the key, velocity how hard it was struck, gate is 1 "
        "while a key is held, pad the velocity of one key while it is held; program counts on in banks"
    )
    parameter: Address | None = Field(None, description="address of the parameter that it moves")
    action: Annotated[str, *one_of(ACTIONS[1:])] | None = Field(
        None,
        description="what it does instead: patches belong to the set list, snapshots and gestures to the patch; gesture and "
        "overdub begin to record, and end it the next time",
    )
    choose: Annotated[int, *whole(1, 512)] | None = Field(
        None,
        description="patch, snapshot or gesture of the action, counted from 1; unless given, the message's own value "
        "chooses patch and snapshot; blackout and freeze: 1 on, 2 off, unless given each press changes over",
    )
    manner: Annotated[str, *one_of(MANNERS)] = Field(
        "sweep",
        description="a knob, fader or held button; a button that changes over; one of a group; or an endless knob by "
        "its coding",
    )
    grip: Annotated[str, *one_of(GRIPS, _GRIP)] = Field(
        "jump",
        description="what a knob does that does not stand where its parameter is: jump there, wait until it meets "
        "it, or share out what is left of both ways",
    )
    group: Annotated[int, *whole(0, 127)] = Field(0, description="radio buttons of one group put each other out")
    step: Number = Field(1 / 127, description="how far a click of an endless knob goes (of the range)")
    acceleration: Number = Field(0.0, description="how much further clicks go that follow within 0.1 s (times)")
    channel: Annotated[
        int | str,
        BeforeValidator(_channel),
        WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 1, "maximum": 16}, {"const": "any"}]}),
    ] = Field("any", description="MIDI channel")
    number: Annotated[
        int | str,
        BeforeValidator(_message_number),
        WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 0, "maximum": 16383}, {"type": "string"}]}),
    ] = Field("any", description="controller or parameter number, or key as a number or a note name")
    range: Annotated[list[Number], BeforeValidator(_range)] | None = Field(
        None,
        description="the parameter's values at both ends of the sweep; of a bend as far as the controller has been set "
        "to bend, 2 semitones at first",
    )
    curve: Annotated[str, *one_of(CURVES)] | None = Field(
        None,
        description="lin: equal steps; exp: equal ratios, as pitch; log: fast, then slow; points: your own",
    )
    points: Annotated[list[list[Number]], BeforeValidator(_points)] | None = Field(
        None,
        description="curve of your own: pairs of sweep (0 to 1, growing) and place in the range (0 to 1)",
    )
    label: Text = Field("", description="what to call it on the screen")

    @model_validator(mode="after")
    def _agree(self) -> Self:
        self._check_target()
        self._check_number()
        self._check_manner()
        self._check_points()
        if self.curve == "exp":
            low, high = self.sweep
            if low == 0 or high == 0 or (low < 0) != (high < 0):
                mend = "Start from a small number instead of 0, or use log."
                raise refusal("the curve exp needs both ends above 0, or both below", mend, at="range")
        return self

    def _check_target(self) -> None:
        if (self.parameter is None) == (self.action is None):
            raise refusal(
                "a control moves a parameter or does an action, one of the two",
                'Write parameter = "layer.1.level", or action = "next".',
                at="parameter",
            )
        if self.choose is not None and self.action not in CHOOSING:
            raise refusal(f"choose belongs to the actions {listed(CHOOSING, 'and')}", at="choose")
        if self.choose is not None and self.action in SWITCHED and self.choose > len(SWITCHES):
            raise refusal("it takes 1 for on, 2 for off", at="choose")

    def _check_manner(self) -> None:
        if self.manner.startswith("relative") and self.message != "cc":
            raise refusal("an endless knob sends cc messages", 'Write message = "cc".', at="manner")
        if self.grip != "jump" and (self.message not in TURNED or self.manner != "sweep"):
            raise refusal("only a knob or fader, of cc or cc14, takes hold", "Take this line out.", at="grip")

    def _check_number(self) -> None:
        top = NUMBERED.get(self.message, 127)
        if isinstance(self.number, int) and self.number > top:
            raise refusal(f"it takes a number from 0 to {top}", at="number")
        if self.message in NUMBERED and "number" not in self.model_fields_set:
            raise refusal(
                f"a {self.message} control needs the number of the {'controller' if self.message in TURNED else 'parameter'}",
                "Write, for example, number = 1.",
                at="number",
            )
        if self.message in NUMBERLESS and self.number != "any":
            raise refusal(f"a {self.message} message has no number", "Take this line out.", at="number")

    def _check_points(self) -> None:
        if self.points is None:
            if self.curve == "points":
                raise refusal("the curve points needs points", "Add points = [[0, 0], [1, 1]].", at="curve")
            return
        if self.curve not in {None, "points"}:
            raise refusal(
                "points are for the curve points",
                'Write curve = "points", or take the points out.',
                at="points",
            )
        positions = [position for position, _ in self.points]
        growing = all(a <= b for a, b in pairwise(positions))
        if positions[0] != 0 or positions[-1] != 1 or not growing:
            raise refusal("the first number of each pair grows from 0 in the first to 1 in the last", at="points")

    @property
    def sweep(self) -> tuple[float, float]:
        """The parameter's values at both ends, given or usual."""
        if self.range is None:
            return FULL_SWEEP.get(self.message, (0.0, 1.0))
        return self.range[0], self.range[1]

    @property
    def shape(self) -> str:
        """The curve, given or usual."""
        return self.curve or ("lin" if self.points is None else "points")
