"""Every dtype of the engine's memory in one place: program, instance, event, rings, counters.

The whole memory is one record, allocated once (in shared memory while playing) and never resized.
Who writes what:

* ``bank`` and ``pool``: Python, and only slots that no instance plays (`Engine.load`).
* ``rings``: each ring has one producer, which owns ``tail``; the callback owns ``head``.
* everything else: the callback alone. Other readers may look at any time; counters and positions
  only grow, so a reader keeps its own cursor and can tell what it missed.
"""

from __future__ import annotations

import numpy as np
from numba import from_dtype

from instrument.engine.forms.form_table import FORM_STATE
from instrument.engine.memory.records import (
    CHANNEL,
    CLIP_STATE,
    CONTROL,
    CONTROL_STATE,
    HELD_NOTE,
    LAYER_VOICE,
    LINK_ROW,
    MODULATOR_ROW,
    MODULATOR_STATE,
    SNAPSHOT,
    SNAPSHOT_VALUE,
    STEP,
    TEMPO_STATE,
)
from instrument.engine.parameters import COUNT, LAYERS, LINKS, LIVE_TERMS, MODULATORS
from instrument.engine.signal.source_table import SOURCE_STATE

ABI = 8
"""Raised when a field moves, so that two processes never read each other's memory wrongly."""

CHUNK = 64
"""Samples that one pass through the stages works on; short enough to stay in the nearest cache."""

FEEDBACK_DELAY_SAMPLES = 16
"""Delay of all that is read against the order of evaluation: links that would close a circle of modulators, and layers as
modulators and earlier layers see them. Fixed, so that no block size shows; programs that need it run in chunks no longer."""

SLOTS = 32
"""Programs held ready at once, so that a recall only names a slot."""

POOL = 1 << 23
"""Float64 values of drawings and long term tables shared by all slots: twice what a minute of film takes, and as much again
as all else, since an edited patch lies beside the one that plays until it has taken over."""

TERMS = 1024
"""Harmonic terms of one axis of one layer, playable ones included."""

CODE = 4096
"""Instructions of all formulas of a program together."""

CONSTANTS = 256
"""Different constants of all formulas of a program together; each is a row, so that it is read like any other."""

FORMULA_ROWS = 32
"""Rows that a formula may hold at the same time on its way to the result."""

FORMS = 24
"""Forms that a layer passes through at most."""

GESTURES = 8
"""Gestures of a program."""

CELLS = 2048
"""Values that a gesture is recorded in, at equal distances along its cycle."""

SNAPSHOTS = 128
SNAPSHOT_VALUES = 4096
"""Values of all snapshots of a program together."""
BEND_RANGE = 2.0
"""Semitones to either side before RPN 0 says otherwise (MPE specification 1.0, 2.4, for master channels; elsewhere
common practice, no source)."""
ASKS = 16
"""Actions that one message may ask for."""
SETLIST = 512
"""Patches of a set list that are reached without waiting for Python."""
CONTROLS = 256
CURVE_POINTS = 1024
HELD_NOTES = 64
"""Notes held at a time, by keys and pedals, on all channels."""
LAYER_VOICES = 16
"""Notes that a layer sounds at a time."""
VOICE_SLOTS = 2 * LAYER_VOICES
"""Places for the voices of a layer: as many as may sound, and as many stolen ones that are fading."""
KEYS = 128
RINGS = 4
RING_EVENTS = 4096
LOG_EVENTS = 8192
INPUT_FRAMES = 1 << 20
"""Frames of the live input that a reader may lag behind, a power of two: 5 s at 192 kHz."""
DELAY = 4096
HISTOGRAM = 4096
"""Callback times are counted in buckets of one microsecond; the last one holds everything longer."""

RING_COMMAND, RING_MIDI, RING_WINDOW, RING_PERFORM = range(RINGS)
"""Of events at the same sample the lowest ring comes first: a change of program goes before what is played into it."""

EVENT_MIDI, EVENT_SET, EVENT_SWAP, EVENT_PANIC, EVENT_ACTION = 1, 2, 3, 4, 5
FLAG_AT_ONCE = 1
"""`EVENT_SET`: jump instead of ramping."""
FLAG_ASKED = 4
"""In the log: `EVENT_ACTION` that a control asked for, and `EVENT_SWAP` that an action made, so that neither came through
a ring of its own; it follows from the event before it."""
FLAG_CARRY = 2
"""`EVENT_SWAP`: the new program goes on from the phases of the old one instead of from zero."""

LINK_ADD, LINK_MULTIPLY = 0, 1
STEP_BASE, STEP_LINK, STEP_MODULATOR = 0, 1, 2
STEPS = MODULATORS + 2 * LINKS

MESSAGES = (
    "none",
    "cc",
    "note",
    "velocity",
    "gate",
    "pad",
    "bend",
    "pressure",
    "cc14",
    "rpn",
    "nrpn",
    "key_pressure",
    "release",
    "program",
)
"""Messages that a control listens to; the index is what the program stores."""
MANNERS = ("sweep", "toggle", "radio", "relative_twos", "relative_offset", "relative_sign")
"""Manners in which a control takes what it hears: as a place in its range, as a button that changes over, as one of a group of
buttons, or as a step in one of the three usual codings of an endless knob; the index is what the program stores."""
GRIPS = ("jump", "catch", "proportional")
"""Ways of a knob that does not stand where its parameter is; the index is what the program stores."""
ACTIONS = (
    "none",
    "next",
    "previous",
    "patch",
    "snapshot",
    "morph",
    "panic",
    "record",
    "tap",
    "blackout",
    "freeze",
    "gesture",
    "overdub",
    "clear",
)
"""Actions of a control or a key besides moving a parameter; the index is what programs and events store. Patches of the
set list, snapshots and gestures are counted from 1; blackout and freeze take `CHANGE_OVER`, `SWITCH_ON` or `SWITCH_OFF`."""
CHANGE_OVER, SWITCH_ON, SWITCH_OFF = 0, 1, 2
CURVES = ("lin", "exp", "log", "points")
"""Curves from the place of a knob to a value; the index is what the program stores."""

EVENT = np.dtype(
    [
        ("time", "i8"),  # sample the event takes effect on; anything past means "at once"
        ("value", "f8"),  # new value of EVENT_SET; seconds to fade of EVENT_SWAP, 0 for the patch's own
        ("kind", "i4"),
        ("index", "i4"),  # parameter of EVENT_SET, slot of EVENT_SWAP
        ("data", "u1", (3,)),  # raw MIDI bytes
        ("port", "u1"),
        ("flags", "i4"),
    ],
    align=True,
)

RING = np.dtype([("tail", "i8"), ("head", "i8"), ("events", EVENT, (RING_EVENTS,))], align=True)

INSTRUCTION = np.dtype([("operation", "i4"), ("target", "i4"), ("operands", "i4", (4,))], align=True)
"""Target and operands are locations of rows, see `formulas.instructions`."""

LAYER_ROW = np.dtype(
    [
        ("source", "i4"),
        ("terms", "i4", (3,)),  # terms in use on x, y, z
        ("term_table", "i8", (3,)),  # pool offset of the terms past the playable ones, as (n, 3) rows
        ("path", "i8"),  # pool offset of x[n + 1], y[n + 1], z[n + 1], and so on for every frame
        ("points", "i8"),
        ("frames", "i8"),
        ("jump_table", "i8"),  # pool offset of what `jump_table` lays out, for every frame ...
        ("jump_rows", "i8"),  # ... of at most so many jumps; 0 where none is eased
        ("views", "i8"),  # as many as frames where each is what is seen from a direction, else 0
        ("view_table", "i8"),  # pool offset of the directions, as (views, 3) rows
        ("axes", "i8"),  # tables of each frame: 2 where all frames are flat and z is left out, else 3
        ("seconds", "f8"),  # length of the clip at its own speed; 0 where it has none
        ("n_forms", "i4"),
        ("forms", "i4", (FORMS,)),  # kinds of form, in the order in which the drawing passes them
        ("code", "i4", (3,)),  # first instruction of the formulas of x, y, z
        ("instructions", "i4", (3,)),
        ("counts", "i4"),  # 1 where something reads the number of the round
    ],
    align=True,
)

PROGRAM = np.dtype(
    [
        ("ramp_seconds", "f8"),
        ("fade_seconds", "f8"),
        ("layers", LAYER_ROW, (LAYERS,)),
        ("clips", "i8"),  # 1 where a layer has frames, which may go by the beat
        (
            "feeds_back",
            "i4",
        ),  # 1 where something is read FEEDBACK_DELAY_SAMPLES late, so that chunks are of at most FEEDBACK_DELAY_SAMPLES samples
        ("modulators", MODULATOR_ROW, (MODULATORS,)),
        ("n_code", "i4"),
        ("code", INSTRUCTION, (CODE,)),
        ("tempo_steps", "i8"),  # the first of them, to be evaluated before the tempo
        ("n_constants", "i8"),
        ("constants", "f8", (CONSTANTS, CHUNK)),
        ("n_steps", "i8"),
        ("schedule", STEP, (STEPS,)),  # what to evaluate, in an order that respects every link
        ("n_links", "i8"),
        ("links", LINK_ROW, (LINKS,)),
        ("n_controls", "i8"),
        ("controls", CONTROL, (CONTROLS,)),
        ("curve_points", "f8", (CURVE_POINTS, 2)),
        ("base", "f8", (COUNT,)),
        ("jumps", "u1", (COUNT,)),  # 1 where a parameter selects and is never ramped
        ("circles", "u1", (COUNT,)),  # 1 where whole turns make no difference
        ("tuned", "i4"),  # 1 where keys sound other pitches than in equal temperament:
        ("tuning", "f8", (KEYS,)),  # semitones that each key is away from there
        ("n_snapshots", "i4"),
        ("snapshots", SNAPSHOT, (SNAPSHOTS,)),
        ("snapshot_values", SNAPSHOT_VALUE, (SNAPSHOT_VALUES,)),
    ],
    align=True,
)

INSTANCE = np.dtype(
    [
        ("rows", "f8", (COUNT, CHUNK)),  # every parameter's value at every sample of the chunk
        ("value", "f8", (COUNT,)),
        ("origin", "f8", (COUNT,)),  # where a ramp began
        ("target", "f8", (COUNT,)),
        ("ramp_length", "i8", (COUNT,)),
        ("ramp_done", "i8", (COUNT,)),
        ("ramping", "i4", (COUNT,)),  # indices of the ramps under way, packed
        ("n_ramping", "i8"),
        ("steps", "u1", (COUNT,)),  # 1 where a ramp is a single step half-way
        ("moving", "u1", (COUNT,)),  # 1 where the row is not one value throughout
        ("linked", "u1", (COUNT,)),
        ("number", "i8"),  # which of the instances this is
        ("slot", "i8"),  # -1 while silent
        ("controls", CONTROL_STATE, (CONTROLS,)),
        ("turn", "i8"),  # layer that holds the beam in `turns`
        ("pen", "u8", (LAYERS,)),  # phase in 2**-64 turns, so that it never drifts
        ("pen_wrapped", "f8", (LAYERS,)),  # -1 or 1 where the latest step began a new round
        ("rounds", "i8", (LAYERS,)),  # rounds that the pen has ended, backward ones subtracted
        ("page", "f8", (LAYERS,)),  # frame that the pen has begun its round on ...
        ("page_round", "f8", (LAYERS,)),  # ... and which round that was; nan before the first
        ("clips", CLIP_STATE, (LAYERS,)),
        ("began", "i8"),  # sample that this program began at
        ("layer_rows", "f8", (LAYERS, 2, CHUNK)),  # x and y of each layer as it reaches the mix ...
        ("delayed_rows", "f8", (LAYERS, 2, CHUNK)),  # ... and FEEDBACK_DELAY_SAMPLES samples earlier
        ("layer_history", "f8", (LAYERS, 2, FEEDBACK_DELAY_SAMPLES)),
        ("held", "f8", (LAYERS, 2)),  # where a layer that waits for its turn has stopped
        ("sources", SOURCE_STATE, (LAYERS,)),
        ("spin", "u8", (LAYERS, 3)),
        ("carry", "f8", (LAYERS, 3, TERMS)),  # phase a term has gained on the pen, in turns
        ("last_ratio", "f8", (LAYERS, 3, TERMS)),
        ("last_position", "f8", (LAYERS,)),
        ("side", "i8", (LAYERS,)),  # direction whose path is drawn, counted from 1; 0 before one is chosen
        ("side_round", "f8", (LAYERS,)),  # round of the pen in which it was last looked for ...
        ("side_wait", "i8", (LAYERS,)),  # ... and samples until it may be looked for again
        ("latest", "i8"),  # samples of the latest chunk
        ("layer_voices", LAYER_VOICE, (LAYERS, VOICE_SLOTS)),
        ("alive", "i8", (LAYERS,)),  # 0 where no voice of the layer sounds
        ("sounding", "i8", (LAYERS,)),  # voices that begin this chunk
        ("voice_order", "i8"),  # notes that layers have begun
        ("voice_turn", "i8", (LAYERS,)),  # slot of the voice that draws, where they take turns
        ("voice_carry", "f8", (LAYERS, VOICE_SLOTS, 3, TERMS)),
        ("voice_ratio", "f8", (LAYERS, VOICE_SLOTS, 3, LIVE_TERMS)),
        ("last_pitch", "f8", (LAYERS,)),  # of the latest note of the layer; nan before the first
        ("newest_octave", "f8", (LAYERS,)),  # of the newest note of a layer: octaves from key 69 ...
        ("newest_velocity", "f8", (LAYERS,)),  # ... velocity, 0 to 1
        ("newest_channel", "i8", (LAYERS,)),
        ("modulator", MODULATOR_STATE, (MODULATORS,)),
        ("gestures", "f8", (GESTURES, CELLS)),
        # What delayed links add or multiply by, by sample time modulo FEEDBACK_DELAY_SAMPLES.
        ("link_history", "f8", (LINKS, FEEDBACK_DELAY_SAMPLES)),
        ("filled", "u1", (COUNT,)),  # 1 where a ramp has filled the row of this chunk
        ("notes", "i8"),  # notes begun since the program began
        ("tempo", TEMPO_STATE),
        ("forms", FORM_STATE, (LAYERS,)),
        ("modulator_rows", "f8", (MODULATORS, CHUNK)),
        ("delay", "f8", (2, DELAY)),
        ("delay_at", "i8"),
        ("dc_in", "f8", (2,)),
        ("dc_out", "f8", (2,)),
    ],
    align=True,
)


ASKED = np.dtype([("value", "f8"), ("action", "i4")], align=True)

COUNTERS = np.dtype(
    [
        ("callbacks", "i8"),
        ("frames", "i8"),
        ("underflows", "i8"),
        ("overflows", "i8"),
        ("late_events", "i8"),
        ("refused_events", "i8"),
        ("longest_ns", "i8"),
        ("total_ns", "i8"),
        ("smallest_block", "i8"),
        ("largest_block", "i8"),
        ("histogram", "i8", (HISTOGRAM,)),
    ],
    align=True,
)

_SCRATCH = ("x", "y", "z", "position", "pace", "wraps", "rounds", "carry", "mix_x", "mix_y", "old_x", "old_y")
_SCRATCH_VOICES = ("sum_x", "sum_y", "sum_z", "kept_position", "kept_wraps", "kept_rounds")
"""Sum of a layer's voices, and the pen of the voice that forms go by."""
_SCRATCH_MODULATE = ("turns", "cycles", "bent")
"""Place in its cycle (0 to 1) and number of the cycle of the modulator under way; what a link adds."""


def memory_dtype(ring_frames: int) -> np.dtype[np.void]:
    """Return the dtype of a whole memory whose output ring holds `ring_frames` stereo frames.

    Parameters
    ----------
    ring_frames : int
        Frames that readers may lag behind, a power of two. Compiled code reads the length from the memory, and the
        ring is the last field, so every length shares one layout.
    """
    return np.dtype([*_fields(), ("ring", "f4", (ring_frames, 2))], align=True)


def _fields() -> list[tuple[object, ...]]:
    return [
        ("abi", "i8"),
        ("rate", "f8"),
        ("time", "i8"),  # samples rendered since the start
        ("active", "i8"),  # instance that events reach
        ("fade_left", "i8"),
        ("fade_length", "i8"),
        ("anchor_count", "i8"),  # odd while the two below are being written
        ("anchor_time", "i8"),  # sample time at the start of the latest callback ...
        ("anchor_ns", "i8"),  # ... and the monotonic clock then
        ("round_over", "i8"),  # whether the pen has just ended a round, or cannot
        ("bridging", "i8"),  # 1: the next sample begins a bridge from the latest one
        ("bridge_left", "i8"),
        ("bridge_length", "i8"),
        ("bridge", "f8", (2,)),  # step that is being spread out, per channel
        ("latest", "f8", (2,)),  # last sample before the guard
        ("blackout", "i8"),  # 1 where both channels go to 0 and stay there
        ("dark", "i8"),  # samples by which they have faded
        ("frozen", "i8"),  # 1 where modulators, spins and the beat stand still ...
        ("still_time", "i8"),  # ... samples for which they have done so in all
        ("bend", "i4", (16,)),
        ("pressure", "u1", (16,)),
        ("cc", "u1", (16, 128)),
        ("note_key", "f8"),  # of the newest note held, or of the last one; the same in ...
        ("note_octave", "f8"),  # ... octaves from key 69 ...
        ("note_velocity", "f8"),  # ... velocity, 0 to 1 ...
        ("note_channel", "i8"),
        ("note_release", "f8"),  # release velocity of the note let go last, 0 to 1
        ("channels", CHANNEL, (16,)),
        ("zones", "i4", (2,)),  # member channels of the lower and of the upper zone of an MPE controller
        ("asked_at", "i8"),  # actions asked for by the message under way
        ("asked", ASKED, (ASKS,)),
        ("set_count", "i8"),  # patches of the set list ...
        ("set_slots", "i4", (SETLIST,)),  # ... the slot of each, or -1 ...
        ("set_at", "i8"),  # ... and which one plays
        ("n_held_notes", "i8"),
        ("held_notes", HELD_NOTE, (HELD_NOTES,)),
        ("counters", COUNTERS),
        ("formula_rows", "f8", (FORMULA_ROWS, CHUNK)),
        ("input_channels", "i8"),  # channels that the driver hands in: 0, 1 or 2
        ("input_rows", "f8", (2, CHUNK)),  # live input, left and right
        ("input_heard", "i8"),  # 1 once there was any; from then on it is kept in ...
        ("input_ring", "f4", (INPUT_FRAMES, 2)),  # ... this ring, at the place of the output that it belongs to
        # 1: what controls ask for comes as events of its own, as it is in the log of a show.
        ("replaying", "i8"),
        ("peak", "f8", (2,)),  # largest output since a reader last set it to zero
        ("rings", RING, (RINGS,)),
        ("log_at", "i8"),  # events applied so far; slot i of the log holds event i modulo its length
        ("log", EVENT, (LOG_EVENTS,)),
        *[(f"scratch_{name}", "f8", (CHUNK,)) for name in _SCRATCH],
        *[(f"scratch_{name}", "f8", (CHUNK,)) for name in _SCRATCH_VOICES],
        ("voice_gain", "f8", (LAYERS, VOICE_SLOTS, CHUNK)),
        ("voice_pitch", "f8", (LAYERS, VOICE_SLOTS, CHUNK)),  # semitones
        ("levels", "f8", (LAYERS, CHUNK)),  # of each layer and its voices
        ("frame_rows", "f8", (LAYERS, CHUNK)),  # place of each layer's clip, in frames
        ("scratch_page", "f8", (CHUNK,)),  # frame that is drawn ...
        ("scratch_share", "f8", (CHUNK,)),  # ... and how much of the next one is in it
        ("presence", "f8", (LAYERS, CHUNK)),  # how much of what the voices of a layer draw together is there
        ("drawn", "i8"),  # sample at which the pen of the latest layer has stopped
        *[(f"scratch_{name}", "f8", (CHUNK,)) for name in _SCRATCH_MODULATE],
        ("fires", "u1", (CHUNK,)),  # 1 where the modulator under way is triggered ...
        ("open", "u1", (CHUNK,)),  # ... and where its gate is open
        ("beat_whole", "i8", (CHUNK,)),  # position in beats, swung ...
        ("beat_part", "u8", (CHUNK,)),  # ... and its fraction in 2**-64
        ("beat_step", "f8", (CHUNK,)),  # how far that is from the sample before; 0 where it jumped
        ("beat_before", "f8", (CHUNK,)),  # position that it came from; where it jumped, just before it
        ("beat_row", "f8", (CHUNK,)),  # position in beats, swung
        ("bpm_row", "f8", (CHUNK,)),  # beats in a minute
        ("scratch_form", "f8", (9, CHUNK)),  # what a form works out before it touches the drawing
        ("source_before", SOURCE_STATE),  # what the source of the layer under way remembers of the stretch before
        ("angles", "f8", (LAYERS, 3, CHUNK)),
        ("still", "u1", (LAYERS, 3)),  # 1 where the angle is one value throughout the chunk
        ("instances", INSTANCE, (2,)),
        ("bank", PROGRAM, (SLOTS,)),
        ("pool", "f8", (POOL,)),
        ("ring_at", "i8"),  # frames written so far
        ("ring_frames", "i8"),
    ]


MEMORY = memory_dtype(1)
"""Memory as compiled code sees it: a ring of one frame; it indexes further, masked by ``ring_frames - 1``."""

RING_OFFSET = int(MEMORY.fields["ring"][1]) if MEMORY.fields is not None else 0

MEMORY_TYPE = from_dtype(MEMORY)
"""The numba type of `MEMORY`."""

EVENT_TYPE = from_dtype(EVENT)
"""The numba type of `EVENT`."""
