"""Messages for the tests of this room, as mido makes them."""

from __future__ import annotations

import mido
from hypothesis import strategies as st


def channel_message() -> st.SearchStrategy[mido.Message]:
    """Any channel message."""
    channel, seven = st.integers(0, 15), st.integers(0, 127)
    return st.one_of(
        st.builds(lambda c, n, v: mido.Message("note_on", channel=c, note=n, velocity=v), channel, seven, seven),
        st.builds(lambda c, n, v: mido.Message("note_off", channel=c, note=n, velocity=v), channel, seven, seven),
        st.builds(lambda c, n, v: mido.Message("polytouch", channel=c, note=n, value=v), channel, seven, seven),
        st.builds(
            lambda c, n, v: mido.Message("control_change", channel=c, control=n, value=v),
            channel,
            seven,
            seven,
        ),
        st.builds(lambda c, p: mido.Message("program_change", channel=c, program=p), channel, seven),
        st.builds(lambda c, v: mido.Message("aftertouch", channel=c, value=v), channel, seven),
        st.builds(lambda c, p: mido.Message("pitchwheel", channel=c, pitch=p), channel, st.integers(-8192, 8191)),
    )
