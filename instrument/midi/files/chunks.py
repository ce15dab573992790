"""The chunks of a Standard MIDI File, found even where lengths, numbers and wrappings are wrong."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from instrument.midi.message_decoder import MidiError

HEADER, TRACK = b"MThd", b"MTrk"
"""Standard MIDI Files 1.0 (RP-001), Chunks."""

USUAL_DIVISION = 480
"""Ticks of a quarter note where a file says none (common practice, no source)."""

_HEADER_LENGTH = 6
_MARK = 8
"""Bytes of a chunk's name and length."""


@dataclass
class Oddities:
    """Collects what is odd while a file is read."""

    _found: dict[str, list[str]] = field(default_factory=dict)

    def note(self, kind: str, place: str = "") -> None:
        """Take in one oddity.

        Parameters
        ----------
        kind : str
            What is told of it: a sentence without its end.
        place : str
            Where it is; only the first place of a kind is told.
        """
        self._found.setdefault(kind, []).append(place)

    @property
    def kinds(self) -> set[str]:
        """Kinds of oddity met so far."""
        return set(self._found)

    def sentences(self) -> list[str]:
        """Return a sentence for each kind, in the order in which they were met."""
        told = []
        for kind, places in self._found.items():
            where = f" (in {places[0]})" if places[0] else ""
            if len(places) > 1:
                where = f" ({len(places)} times, first in {places[0]})" if places[0] else f" ({len(places)} times)"
            told.append(f"{kind}{where}.")
        return told


@dataclass(frozen=True)
class Chunks:
    """A file taken apart.

    Attributes
    ----------
    kind : int
        0: one track, 1: several that are played together, 2: several that have nothing to do with each other.
    division : int
        Ticks of a quarter note; negative where it counts SMPTE frames.
    tracks : list of bytes
        Content of each track's chunk.
    """

    kind: int
    division: int
    tracks: list[bytes]


def parse_chunks(data: bytes, oddities: Oddities) -> Chunks:
    """Find header and tracks.

    Parameters
    ----------
    data : bytes
        The whole file.
    oddities : Oddities
        Takes what is odd.

    Raises
    ------
    MidiError
        If there is no header, without which it is no MIDI file.

    Source: Standard MIDI Files 1.0 (RP-001), Chunk Descriptions; RIFF wrapping as in the Multimedia Programming
    Interface and Data Specifications 1.0, RMID.
    """
    data = _unwrapped(data, oddities)
    header = data[_MARK : _MARK + _HEADER_LENGTH]
    if len(header) < _HEADER_LENGTH:
        raise MidiError("the MIDI file ends too early, within its header; restore a copy or save it again.")
    length = int.from_bytes(data[4:_MARK], "big")
    kind, count, division = struct.unpack(">HHh", header)
    if length < _HEADER_LENGTH:
        oddities.note(f"the header says that it is {length} bytes long, and is {_HEADER_LENGTH}")
    if kind > 2:
        oddities.note(f"there is no type {kind} of MIDI file; it is played as type 1")
        kind = 1
    if division == 0:
        oddities.note(f"it says 0 ticks a beat; {USUAL_DIVISION} are taken")
        division = USUAL_DIVISION
    start = _MARK + max(length, _HEADER_LENGTH)
    if start > len(data) and TRACK in data:
        oddities.note("the header's length is wrong")
        start = data.index(TRACK)
    tracks = _tracks(data, start, oddities)
    if len(tracks) != count:
        oddities.note(f"the header says {count} tracks, and there are {len(tracks)}")
    return Chunks(kind, division, tracks)


def _unwrapped(data: bytes, oddities: Oddities) -> bytes:
    if data[:4] == b"RIFF" and data[8:12] == b"RMID":
        at = 12
        while at + _MARK <= len(data):
            length = int.from_bytes(data[at + 4 : at + _MARK], "little")
            if data[at : at + 4] == b"data":
                data = data[at + _MARK : at + _MARK + length]
                break
            at += _MARK + length + length % 2
    if data[:4] == HEADER:
        return data
    # Old computers put descriptions of their own before a file's content.
    start = data.find(HEADER)
    if start < 0 or TRACK not in data[start:]:
        raise MidiError("this is not a MIDI file (it does not begin with MThd).")
    oddities.note(f"{start} bytes stand before its header")
    return data[start:]


def _tracks(data: bytes, at: int, oddities: Oddities) -> list[bytes]:
    tracks: list[bytes] = []
    while at < len(data):
        name, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + _MARK], "big")
        start, end = at + _MARK, at + _MARK + length
        if name == TRACK:
            if not _is_boundary(data, end):
                end = _next_track(data, start)
                oddities.note("the length of a track is wrong", f"track {len(tracks) + 1}")
            tracks.append(data[start:end])
        elif not (name.isascii() and name.decode().isprintable() and len(name) == 4 and _is_boundary(data, end)):
            # Chunks of other kinds are passed over in silence, as the standard wants; this is none.
            end = _next_track(data, at)
            if data[at:end].strip(b"\0"):
                oddities.note("bytes that belong to no track are passed over", f"byte {at}")
        at = end
    return tracks


def _is_boundary(data: bytes, at: int) -> bool:
    # Whether a chunk may end here: at the file's end, or where another one begins.
    if at >= len(data):
        return at == len(data)
    name = data[at : at + 4]
    return name == TRACK or (len(name) == 4 and name.isalnum()) or not data[at:].strip(b"\0")


def _next_track(data: bytes, at: int) -> int:
    found = data.find(TRACK, at)
    return found if found >= 0 else len(data)
