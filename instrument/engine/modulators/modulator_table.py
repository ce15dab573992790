"""The table of modulators: all that Beamhand knows of each kind but the loop that moves it.

Patch schema, guide, window, engine memory and dispatch are made from it. A kind that is added here, with its kernel in a
module beside this one, can be played; `instrument/engine/README.md` has the recipe.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from instrument.engine.parameter_record import KNOBS, LAYERS, Field, Parameter

if TYPE_CHECKING:
    from collections.abc import Mapping

OWN_TIME, TRIGGERED, CYCLE, COUNTED_CYCLE = range(4)
"""Work that is done for a kind before its kernel runs: nothing; where it is triggered and its gate is open (``m.fires``,
``m.open``); its place in its cycle (``m.scratch_turns``) as well; the number of the cycle (``m.scratch_cycles``) too."""


@dataclass(frozen=True)
class ModulatorKind:
    """One kind of modulator.

    Attributes
    ----------
    name : str
        Word for it in patch files.
    about : str
        Sentence for the guide and the window.
    parameters : tuple of Parameter
        Rows that it listens to, in the order in which they are shown. A row that several kinds share is one object.
    kernel : str
        Module of this folder and compiled function, called as ``kernel(m, p, s, number, n)``; it fills
        ``s.modulator_rows[number]`` for n samples.
    clock : int
        `OWN_TIME`, `TRIGGERED`, `CYCLE` or `COUNTED_CYCLE`.
    remembers : tuple of Field
        Fields of ``s.modulator[number].<name>`` beside the common ones of `records.MODULATOR_STATE`: all zero when it
        begins, copied where a program carries on.
    start : str
        Kernel ``start(m, p, s, before, old, number, goes_on)``, run when its state has been emptied or copied.
    columns : int
        Numbers in a row of its table (breakpoints, steps or cells); 0 for a kind without one.
    repeats : bool
        Whether it does the same in every cycle, so that a loop of it can close.
    reads_layers : bool
        Whether it reads what layers draw, which it does FEEDBACK_DELAY_SAMPLES late.
    begins : mapping
        Fields of a new one in the window, so that it does something at once.
    formerly : tuple of str
        Names that it had in earlier patch files.
    """

    name: str
    about: str
    parameters: tuple[Parameter, ...]
    kernel: str
    clock: int
    remembers: tuple[Field, ...] = ()
    start: str = ""
    columns: int = 0
    repeats: bool = False
    reads_layers: bool = False
    begins: Mapping[str, Any] = field(default_factory=dict)
    formerly: tuple[str, ...] = ()


OFF_ON = ("off", "on")

_SHAPE = Parameter("shape", 0.0, "choice", "waveform of the LFO", ("sine", "triangle", "saw", "square", "falling saw"))
_RATE = Parameter("rate", 1.0, "Hz", "cycles in a second, or in a beat where sync is beat; negative runs backward")
_PHASE = Parameter("phase", 0.0, "turns", "where in its cycle the modulator begins")
_WIDTH = Parameter(
    "width",
    0.5,
    "of a cycle",
    "rising part of the triangle, high part of the square; with trigger beat how much of `every` stays open",
)
_SYNC = Parameter("sync", 0.0, "choice", "whether rate and times count in seconds or in beats", ("free", "beat"))
_ONCE = Parameter(
    "once",
    0.0,
    "choice",
    "once runs one cycle after a trigger and holds its end; an envelope then goes on to its release by itself",
    ("repeated", "once"),
)
_TRIGGER = Parameter("trigger", 0.0, "choice", "what starts it anew, beside its gate", ("gate", "note", "beat"))
_GATE = Parameter("gate", 0.0, "choice", "starts it when it opens, releases it when it closes", OFF_ON)
_EVERY = Parameter("every", 1.0, "beats", "beats between the triggers of trigger beat")
_ATTACK = Parameter("attack", 0.01, "s or beats", "rise of the envelope, and time constant of a rising follower (s)")
_RELEASE = Parameter("release", 0.2, "s or beats", "fall when let go, and time constant of a falling follower (s)")
_SEED = Parameter("seed", 1.0, "number", "which sequence of chances random and steps play; the same repeats itself")

COMMON = (_SHAPE, _RATE, _PHASE, _WIDTH, _SYNC, _ONCE, _TRIGGER, _GATE, _EVERY)
"""Rows of the clock, which is the same loop for all kinds: they are laid out for each of them."""

_CYCLE_ROWS = (_RATE, _PHASE, _SYNC, _ONCE)
_TRIGGER_ROWS = (_TRIGGER, _GATE, _EVERY, _WIDTH)

_MODULATORS = (
    ModulatorKind(
        "lfo",
        "A wave that repeats, at any rate from still to beyond audio.",
        kernel="cycles.run_lfo",
        clock=CYCLE,
        repeats=True,
        begins={"rate": 0.5},
        parameters=(_SHAPE, *_CYCLE_ROWS, *_TRIGGER_ROWS),
    ),
    ModulatorKind(
        "envelope",
        "Rises when it is started, keeps a level while it is held, falls when it is let go.",
        kernel="envelope.run_envelope",
        clock=TRIGGERED,
        begins={"trigger": "note"},
        parameters=(
            _SYNC,
            _ONCE,
            Parameter("delay", 0.0, "s or beats", "wait of the envelope before its rise"),
            _ATTACK,
            Parameter("hold", 0.0, "s or beats", "time of the envelope at its top"),
            Parameter("decay", 0.1, "s or beats", "time from the top to the sustained level"),
            Parameter("sustain", 0.7, "level", "level that the envelope keeps while it is held"),
            _RELEASE,
            Parameter(
                "bend.attack", 0.0, "steepness", "bends the attack: 0 straight, above slow first, below fast first"
            ),
            Parameter("bend.decay", 0.0, "steepness", "bends the decay in the same way"),
            Parameter("bend.release", 0.0, "steepness", "bends the release in the same way"),
            Parameter("loop", 0.0, "choice", "whether a held envelope begins again after its decay", OFF_ON),
            *_TRIGGER_ROWS,
        ),
    ),
    ModulatorKind(
        "curve",
        "Runs through breakpoints of your own.",
        kernel="sequences.run_curve",
        clock=CYCLE,
        columns=3,
        repeats=True,
        begins={"points": [[0, 0], [0.5, 1], [1, 0]], "rate": 0.5},
        parameters=(*_CYCLE_ROWS, *_TRIGGER_ROWS),
    ),
    ModulatorKind(
        "steps",
        "Plays a row of values, each as long as the others.",
        kernel="sequences.run_steps",
        clock=COUNTED_CYCLE,
        columns=4,
        repeats=True,
        begins={"steps": [0, 1, -1, 0.5], "rate": 1},
        parameters=(*_CYCLE_ROWS, _SEED, *_TRIGGER_ROWS),
    ),
    ModulatorKind(
        "random",
        "Values by chance; the same seed repeats the same chances.",
        kernel="sequences.run_random",
        clock=COUNTED_CYCLE,
        begins={"rate": 2},
        parameters=(
            _RATE,
            _PHASE,
            _SYNC,
            Parameter("smooth", 0.0, "of a cycle", "part of its cycle in which random moves on to the next value"),
            _SEED,
            *_TRIGGER_ROWS,
        ),
    ),
    ModulatorKind(
        "follower",
        "The level of the live input or of a layer.",
        kernel="followers.run_follower",
        clock=OWN_TIME,
        reads_layers=True,
        begins={"of": "layer 1"},
        parameters=(
            Parameter(
                "of",
                0.0,
                "choice",
                "whose level the follower follows",
                ("input", "input left", "input right", *(f"layer {k}" for k in range(1, LAYERS + 1))),
            ),
            _ATTACK,
            _RELEASE,
        ),
    ),
    ModulatorKind(
        "gesture",
        "A movement of the hand, recorded and repeated.",
        kernel="gesture.run_gesture",
        start="gesture.start_gesture",
        clock=CYCLE,
        columns=1,
        repeats=True,
        begins={"rate": 0.5},
        parameters=(
            *_CYCLE_ROWS,
            Parameter("hand", 0.0, "value", "what a gesture records; let a control move it"),
            Parameter("record", 0.0, "choice", "what passes into the gesture", ("play", "replace", "overdub")),
            Parameter("clear", 0.0, "choice", "empties the gesture when it turns on", OFF_ON),
            *_TRIGGER_ROWS,
        ),
    ),
    ModulatorKind(
        "note",
        "What the latest note is.",
        kernel="followers.run_note",
        clock=OWN_TIME,
        begins={"value": "velocity"},
        parameters=(
            Parameter(
                "value",
                0.0,
                "choice",
                "what of the latest note it is: key in octaves from key 69, bend from -1 to 1, others from 0 to 1",
                ("key", "velocity", "release", "bend", "pressure", "timbre"),
            ),
            Parameter("glide", 0.0, "s", "time in which a note value moves to the next one"),
            Parameter(
                "whose",
                0.0,
                "choice",
                "whose latest note it is: any, or one that a layer plays",
                ("any", *(f"layer {k}" for k in range(1, LAYERS + 1))),
            ),
        ),
    ),
    ModulatorKind(
        "formula",
        "Whatever a formula says.",
        kernel="sequences.run_formula_modulator",
        clock=COUNTED_CYCLE,
        repeats=True,
        begins={"formula": "sin(tau*p)", "rate": 0.5},
        parameters=(
            *_CYCLE_ROWS,
            *_TRIGGER_ROWS,
            *(Parameter(letter, 0.0, "value", f"free knob {letter} of a formula") for letter in KNOBS),
        ),
    ),
)

MODULATOR_TABLE: dict[str, ModulatorKind] = {kind.name: kind for kind in _MODULATORS}
"""Every kind by its name."""

MODULATOR_KINDS = ("none", *MODULATOR_TABLE)
"""Names of the kinds; the index is what a program stores, so a new kind goes to the end."""

MODULATOR_NONE = 0
MODULATOR_LFO = MODULATOR_KINDS.index("lfo")
MODULATOR_ENVELOPE = MODULATOR_KINDS.index("envelope")
MODULATOR_CURVE = MODULATOR_KINDS.index("curve")
MODULATOR_STEPS = MODULATOR_KINDS.index("steps")
MODULATOR_RANDOM = MODULATOR_KINDS.index("random")
MODULATOR_FOLLOWER = MODULATOR_KINDS.index("follower")
MODULATOR_GESTURE = MODULATOR_KINDS.index("gesture")
MODULATOR_NOTE = MODULATOR_KINDS.index("note")
MODULATOR_FORMULA = MODULATOR_KINDS.index("formula")

MODULATOR_ROWS: tuple[Parameter, ...] = tuple(
    dict.fromkeys([*COMMON, *(row for kind in _MODULATORS for row in kind.parameters)])
)
"""Rows that every modulator of a patch has, the common ones first."""
