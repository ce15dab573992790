"""The messages of one track of a Standard MIDI File, read as far as they make sense."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from instrument.engine.notes.midi_numbers import DATA_BYTES, END_OF_EXCLUSIVE, SYSTEM
from instrument.midi.files.chunks import Oddities
from instrument.midi.message_decoder import complete_messages

_META, _EXCLUSIVE, _ESCAPE = 0xFF, SYSTEM, END_OF_EXCLUSIVE
_NAME, _END, _TEMPO, _KEY_SIGNATURE = 0x03, 0x2F, 0x51, 0x59
"""Standard MIDI Files 1.0 (RP-001), MTrk events and Meta-Events."""

_HIGHEST_SIGNATURE = 7
"""Sharps or flats (the same standard, Key Signature)."""

_LONGEST_NUMBER = 4
_HIGHEST_NUMBER = 0x0FFFFFFF
"""Variable-length quantities have at most four bytes (the same standard, Variable-Length Quantities)."""

_NO_END = "a track has no end"
_SOMETHING = re.compile(rb"[^\0]")
"""Zeros behind the end only fill the chunk up."""

_KANA = re.compile("[\u3041-\u30ff]")

_NAME_LENGTH = 40
"""Characters of a track's name that are shown."""


@dataclass
class Track:
    """Content of one track.

    Attributes
    ----------
    messages : list of (int, tuple of int)
        Tick, and a complete message of three bytes.
    tempos : list of (int, int)
        Tick, and microseconds of a quarter note from then on.
    name : str
        Its own name; empty if it has none.
    ticks : int
        Its length.
    """

    messages: list[tuple[int, tuple[int, int, int]]] = field(default_factory=list)
    tempos: list[tuple[int, int]] = field(default_factory=list)
    name: str = ""
    ticks: int = 0


def read_track(data: bytes, number: int, oddities: Oddities) -> Track:
    """Read a track.

    Parameters
    ----------
    data : bytes
        Content of its chunk.
    number : int
        From 1.
    oddities : Oddities
        Takes what is odd.
    """
    reader = _Reader(data, number, oddities)
    reader.run()
    return reader.track


def readable(raw: bytes) -> str:
    """Return a name of any encoding as text for one line; the standard says none, and files have many.

    Examples
    --------
    >>> readable("Möwe".encode("latin-1")), readable("灯台の光と夜の海".encode("shift_jis"))
    ('Möwe', '灯台の光と夜の海')
    """
    try:
        text = raw.decode()
    except UnicodeDecodeError:
        # Japanese files are Shift-JIS; kana, which chance hardly makes, tell them (common practice, no source).
        japanese = raw.decode("cp932", errors="replace")
        text = japanese if _KANA.search(japanese) else raw.decode("latin-1")
    line = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(line.split())[:_NAME_LENGTH]


class _Cut(Exception):  # noqa: N818 - it says where the bytes are cut, and is no error
    """The bytes end within an event."""


class _Reader:
    def __init__(self, data: bytes, number: int, oddities: Oddities) -> None:
        self._data = data
        self._number = number
        self._oddities = oddities
        self._at = 0
        self._tick = 0
        self._running = 0
        self._after_other = False
        self._ended = False
        self.track = Track()

    def run(self) -> None:
        self._read_to_end()
        # Tracks that were glued together have an end amid them. What follows is played if all of it makes sense.
        while _SOMETHING.search(self._data, self._at) and self._read_behind_the_end():
            pass
        self.track.ticks = self._tick

    def _read_to_end(self) -> None:
        self._ended = False
        self._running = 0
        try:
            while self._at < len(self._data) and not self._ended:
                self._event()
        except _Cut:
            self._odd("a track ends within a message")
        else:
            if not self._ended:
                self._odd(_NO_END)

    def _read_behind_the_end(self) -> bool:
        told, self._oddities = self._oddities, Oddities()
        messages, tempos, tick = len(self.track.messages), len(self.track.tempos), self._tick
        self._read_to_end()
        makes_sense = self._oddities.kinds <= {_NO_END}
        self._oddities = told
        if makes_sense:
            self._odd("a track goes on after its end, and so it is played")
        else:
            self._odd("what follows a track's end makes no sense and is left out")
            del self.track.messages[messages:], self.track.tempos[tempos:]
            self._tick = tick
        return makes_sense

    def _odd(self, kind: str) -> None:
        name = f"track {self._number}"
        self._oddities.note(kind, f"{name}, {self.track.name!r}" if self.track.name else name)

    def _byte(self) -> int:
        if self._at >= len(self._data):
            raise _Cut
        self._at += 1
        return self._data[self._at - 1]

    def _number_of_any_length(self) -> int:
        value = read = 0
        while True:
            byte = self._byte()
            value = value << 7 | byte & 0x7F
            read += 1
            if byte < 0x80:
                break
        if read > _LONGEST_NUMBER:
            self._odd("a number has more than four bytes")
        return min(value, _HIGHEST_NUMBER)

    def _bytes(self) -> bytes:
        length = self._number_of_any_length()
        found = self._data[self._at : self._at + length]
        self._at += len(found)
        if len(found) < length:
            raise _Cut
        return found

    def _event(self) -> None:
        self._tick += self._number_of_any_length()
        status = self._byte()
        if status < 0x80:
            if not self._running:
                self._odd("data without a message is passed over")
                self._skip_data()
                return
            if self._after_other:
                self._odd("a message leaves out its status byte after one that does not allow it")
                self._after_other = False
            self._at -= 1
            self._channel_message(self._running)
        elif status < _EXCLUSIVE:
            self._running = status
            self._after_other = False
            self._channel_message(status)
        else:
            self._after_other = True
            self._other(status)

    def _skip_data(self) -> None:
        # Up to the next status, which is then taken without a time of its own.
        while self._at < len(self._data) and self._data[self._at] < 0x80:
            self._at += 1
        if self._at < len(self._data):
            status = self._byte()
            if status < _EXCLUSIVE:
                self._running = status
                self._channel_message(status)
            else:
                self._other(status)

    def _channel_message(self, status: int) -> None:
        data = [self._byte() for _ in range(DATA_BYTES[status & 0xF0])]
        if max(data) > 127:
            self._odd("data bytes above 127 are taken as 127")
        first, second = ([min(byte, 127) for byte in data] + [0])[:2]
        self.track.messages.append((self._tick, (status, first, second)))

    def _other(self, status: int) -> None:
        if status == _META:
            self._meta(self._byte(), self._bytes())
        elif status == _EXCLUSIVE:
            self._bytes()
        elif status == _ESCAPE:
            # The standard's way to send what is not of a channel; also a further part of an exclusive message.
            self._take(self._bytes())
        else:
            self._odd("system messages stand in it as on a cable")
            self._take(bytes([status, *(self._byte() for _ in range(DATA_BYTES.get(status, 0)))]))

    def _take(self, data: bytes) -> None:
        self.track.messages += [(self._tick, message) for message in complete_messages(data)]

    def _meta(self, kind: int, data: bytes) -> None:
        if kind == _END:
            self._ended = True
        elif kind == _NAME and not self.track.name:
            self.track.name = readable(data)
        elif kind == _TEMPO:
            self._tempo(data)
        elif kind == _KEY_SIGNATURE:
            sharps = int.from_bytes(data[:1], "big", signed=True)
            if len(data) != 2 or abs(sharps) > _HIGHEST_SIGNATURE or data[1] > 1:
                self._odd(f"there is no key signature {data.hex(' ') or 'of no bytes'}, which changes nothing heard")

    def _tempo(self, data: bytes) -> None:
        microseconds = int.from_bytes(data[:3], "big")
        if len(data) < 3 or microseconds == 0:
            self._odd(f"a tempo of {microseconds} microseconds a beat in {len(data)} bytes is left out")
            return
        if len(data) > 3:
            self._odd("a tempo has more than three bytes; the first three are taken")
        self.track.tempos.append((self._tick, microseconds))
