"""Parts of the engine's memory: rows that a program keeps and what an instance remembers of each."""

from __future__ import annotations

import numpy as np

from instrument.engine.modulators.modulator_table import MODULATOR_TABLE

CONTROL = np.dtype(
    [
        ("lo", "f8"),
        ("hi", "f8"),
        ("step", "f8"),  # share of the range that one click of an endless knob moves
        ("acceleration", "f8"),  # how much further a click moves when clicks come fast; 0 for never
        ("argument", "f8"),  # of the action; nan where what is heard is the argument
        ("manner", "i4"),
        ("grip", "i4"),
        ("action", "i4"),  # 0 moves the parameter
        ("group", "i4"),  # of radio buttons
        ("by_bend_range", "i4"),  # 1: the range is the channel's bend range, in semitones
        ("message", "i4"),
        ("channel", "i4"),  # 0..15, or -1 for any
        ("number", "i4"),  # controller or key number, or -1 for any
        ("param", "i4"),
        ("curve", "i4"),
        ("first_point", "i4"),
        ("points", "i4"),
    ],
    align=True,
)

LINK_ROW = np.dtype(
    [
        ("modulator", "i4"),
        ("param", "i4"),
        ("operation", "i4"),
        ("delayed", "i4"),  # 1 where it would close a circle and therefore acts FEEDBACK_DELAY_SAMPLES samples late
    ],
    align=True,
)
STEP = np.dtype([("operation", "i4"), ("index", "i4")], align=True)

MODULATOR_ROW = np.dtype(
    [
        ("table", "i8"),  # pool offset of its breakpoints, steps or gesture
        ("count", "i4"),  # rows of the table
        ("kind", "i4"),
        ("code", "i4"),  # first instruction of its formula
        ("instructions", "i4"),
        ("gesture", "i4"),  # which of the instance's gestures it plays
    ],
    align=True,
)

SNAPSHOT = np.dtype([("first", "i4"), ("count", "i4")], align=True)

SNAPSHOT_VALUE = np.dtype([("value", "f8"), ("param", "i4")], align=True)
"""Of one snapshot in the order of parameters."""


TAPS = 4
"""Intervals between taps that a tempo is the mean of."""

IDLE, ATTACK, DECAY, SUSTAIN, RELEASE, FADE = range(6)
"""Stages of a layer's voice; one that is stolen or silenced fades, whatever its release is."""

KEY_DOWN, PEDAL_DOWN, LATCHED = 1, 2, 4
"""Reasons for which a note sounds on: its key, the sustain pedal, the sostenuto pedal."""

CONTROL_STATE = np.dtype(
    [
        ("at", "f8"),  # place of the knob when it was last heard, 0 to 1; -1 before that
        ("value", "f8"),  # what the control last gave its parameter
        ("heard", "i8"),  # sample of that time
        ("holds", "i4"),  # 1 where the knob has taken hold of its parameter
        ("down", "i4"),  # 1 while a button is held
    ],
    align=True,
)

CHANNEL = np.dtype(
    [
        ("bend_range", "f8"),  # semitones to either side, by RPN 0
        ("fine", "f8"),  # tuning in semitones, by RPN 1 ...
        ("coarse", "f8"),  # ... and by RPN 2
        ("selected", "i4"),  # registered or other parameter number, or -1
        ("registered", "i4"),  # 1 where `selected` is a registered one
        ("entry", "i4"),  # 14-bit data entry
        ("program", "i4"),
        ("bank", "i4"),
        ("sustain", "i4"),
        ("sostenuto", "i4"),
        ("mono", "i4"),
    ],
    align=True,
)

MODULATOR_STATE = np.dtype(
    [
        ("phase", "u8"),  # place in the cycle in 2**-64 turns ...
        ("cycle", "i8"),  # ... and whole cycles before it
        ("origin_whole", "i8"),  # beat (or sample, of a free envelope) that it counts from ...
        ("origin_part", "u8"),  # ... and the fraction of it in 2**-64
        ("rate", "f8"),  # at the latest sample
        ("rest", "i8"),  # samples for which that has not changed
        ("started", "i8"),  # 1 after a trigger
        ("held", "i8"),  # 1 while the gate is open
        ("notes", "i8"),  # notes begun when it last looked
        ("sync", "i8"),
        ("stage", "i8"),  # of the envelope
        ("level", "f8"),  # latest value
        ("start", "f8"),  # value that the segment, step or glide under way began from
        ("target", "f8"),  # value that it goes to
        ("elapsed", "i8"),  # samples of the glide
        ("step", "i8"),  # step or cell that it is at; -1 before the first
        ("step_cycle", "i8"),
        ("played", "i8"),  # 1 where the step is played
        ("cleared", "i8"),  # 1 while `clear` stays on, -1 where an action clears on the next sample
        *[
            (kind.name, np.dtype(list(kind.remembers), align=True))
            for kind in MODULATOR_TABLE.values()
            if kind.remembers
        ],
    ],
    align=True,
)

CLOCK_TICKS = 192
"""Ticks of MIDI clock that the tempo is measured by: two bars of four beats."""

CLOCK_LATEST = 8
"""Ticks that tell of a change, a third of a beat."""

CLOCK_STATE = np.dtype(
    [
        ("number", "i8"),  # of the latest tick, with those that were lost
        ("time", "i8"),  # sample of the latest tick
        ("stored", "i8"),  # ticks that the line goes through ...
        ("put", "i8"),  # ... and the place of the next one among them
        ("numbers", "f8", (CLOCK_TICKS,)),
        ("times", "f8", (CLOCK_TICKS,)),  # samples, clipped
        ("origin", "f8"),  # sample of tick 0 on the line
        ("period", "f8"),  # samples between ticks on the line
        ("spread", "f8"),  # standard deviation of the ticks from the line, in samples
        ("seen", "i8"),  # ticks since the line was last begun anew
        ("latest", "f8", (CLOCK_LATEST,)),  # samples, as they came
        ("in_fit", "i8", (CLOCK_LATEST,)),  # 1 where the line goes through it
        ("patience", "i8"),  # ticks waited for before the line is begun anew
        ("lost_at", "i8"),  # number of the tick after the latest that were lost
        ("held_up", "i8"),  # ticks missing in a pause, of which some may come now ...
        ("came_at_once", "i8"),  # ... as one did where this is 1
    ],
    align=True,
)

TEMPO_STATE = np.dtype(
    [
        ("whole", "i8"),  # position in beats: whole ones ...
        ("part", "u8"),  # ... and 2**-64ths
        ("swung_whole", "i8"),  # the latest sample's position, as swing places it
        ("swung_part", "u8"),
        ("arrived", "i8"),  # 1 where the position has just jumped or set off
        ("moved", "i8"),  # 1 where the latest sample was followed by a step
        ("restarting", "i8"),  # 1 while `restart` stays on
        ("tapping", "i8"),
        ("asked", "i8"),  # 1 where an action taps on the next sample
        ("tapped", "i8"),  # sample of the latest tap ...
        ("taps", "i8"),  # ... and how many came before it in the same row
        ("intervals", "f8", (TAPS,)),
        ("follows", "i8"),  # 1 where the latest sample followed the clock
        ("rolling", "i8"),  # 0 between stop and start of the clock
        ("waiting", "i8"),  # 1 between start, 2 between continue, and the next tick
        ("joining", "i8"),  # 1 where the next tick is the one nearest to the position
        ("offset", "i8"),  # place of a tick in the song, less its number
        ("period", "f8"),  # samples between ticks as measured; 0 before that
        ("speed", "f8"),  # beats a sample, as measured
        ("extra", "f8"),  # beats a sample besides, which make up for what is missing ...
        ("extra_left", "i8"),  # ... in so many samples
        ("clock", CLOCK_STATE),
    ],
    align=True,
)

CLIP_STATE = np.dtype(
    [
        ("whole", "i8"),  # times that a clip has run through at its own speed ...
        ("part", "u8"),  # ... and its place in it, in 2**-64
        ("origin_whole", "i8"),  # beat that it began on
        ("origin_part", "u8"),
        ("notes", "i8"),  # notes begun when it last looked
        ("started", "i8"),  # 0 until its first sample
    ],
    align=True,
)
"""Clock of the frames of a layer."""

GLIDE = np.dtype(
    [
        ("now", "f8"),  # at the latest sample
        ("start", "f8"),
        ("target", "f8"),
        ("done", "i8"),  # samples of the way that are behind it ...
        ("length", "i8"),  # ... of so many
    ],
    align=True,
)
"""A value on its straight way to another one."""

LAYER_VOICE = np.dtype(
    [
        ("pen", "u8"),  # as the pen of a layer without notes: phase ...
        ("wrapped", "f8"),
        ("rounds", "i8"),
        ("position", "f8"),
        ("side", "i8"),  # ... and the direction of what it draws, as a layer's
        ("side_round", "f8"),
        ("side_wait", "i8"),
        ("page", "f8"),  # as of a layer: the frame of its round ...
        ("page_round", "f8"),  # ... and which round that was
        ("pitch", GLIDE),  # semitones, tuned ...
        ("bend", GLIDE),  # ... and what the note is bent by
        ("pressure", GLIDE),
        ("velocity", "f8"),  # 0 to 1
        ("level", "f8"),  # at the latest sample
        ("start", "f8"),  # level that the stage began from
        ("part", "f8"),  # of the stage that is over, 0 to 1
        ("order", "i8"),  # later voices have higher ones
        ("end", "i8"),  # samples of this chunk in which it sounds
        ("moving", "i4"),  # 1 where its pitch is not one value throughout the chunk
        ("stage", "i4"),
        ("key", "i4"),
        ("channel", "i4"),
    ],
    align=True,
)
"""One note that a layer sounds."""

HELD_NOTE = np.dtype(
    [
        ("key", "i4"),
        ("channel", "i4"),
        ("held", "i4"),  # KEY_DOWN, PEDAL_DOWN and LATCHED, added up
        ("velocity", "f8"),
        ("bend", "f8"),
        ("pressure", "f8"),
        ("timbre", "f8"),
        ("began", "i8"),  # sample of the note-on; voices are kept oldest first
    ],
    align=True,
)
