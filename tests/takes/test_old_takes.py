"""Takes of earlier versions, whose patches, values and events have words that are other ones now, are rendered as they were."""

from dataclasses import replace
from pathlib import Path

import mido
import pytest

from instrument.engine.engine import midi_event, set_event, swap_event
from instrument.engine.memory.layout import RING_MIDI
from instrument.engine.parameters import ADDRESSES, FORMER_ADDRESSES, index_of
from instrument.export.rendering import export_take
from instrument.takes.event_text import event_from_text
from instrument.takes.stored_program import identity_of, read_program, rebuild, write_program
from instrument.takes.take_folder import digests, read_metadata, write_metadata
from tests.takes.playing import studio

PLAYED = """schema = 1
title = "Swell"
[[layer]]
[layer.source]
kind = "harmonic"
preset = "rose"
[[layer.form]]
kind = "billow"
amount = 0.2
[[layer]]
[layer.source]
kind = "path"
preset = "star"
[layer.notes]
mode = "poly"
size_by_velocity = 0.8
size_by_pressure = 0.3
[[layer.form]]
kind = "gaps"
gates = 5
rest = "hold"
[[modulator]]
name = "tide"
rate = 3
[[link]]
modulator = "tide"
parameter = "layer.2.form.gaps.phase"
[[control]]
message = "cc"
number = 1
parameter = "layer.1.form.billow.amount"
grip = "catch"
[[control]]
message = "cc"
number = 2
parameter = "layer.1.level"
grip = "proportional"
[[snapshot]]
values = { "layer.2.notes.size_by_velocity" = 0.1 }
[values]
"layer.1.form.billow.waves" = 7
"""
"""A patch with a thing of every name that is another one now."""

WORDS = {
    '"gaps"': '"chop"',
    '"billow"': '"ripple"',
    "form.gaps.": "form.chop.",
    "form.billow.": "form.ripple.",
    "size_by_velocity": "touch",
    "size_by_pressure": "press",
    "grip =": "takeover =",
    '"catch"': '"pickup"',
    '"proportional"': '"scaled"',
}
"""What the version before wrote in their place."""


def in_earlier_words(text: str) -> str:
    for present, earlier in WORDS.items():
        text = text.replace(present, earlier)
    return text


def write_as_the_version_before(take: Path) -> None:
    earlier = {present: former for former, present in FORMER_ADDRESSES.items()}
    (patch,) = take.glob("programs/*/*.toml")
    assert all(word in patch.read_text() for word in WORDS)
    patch.write_text(in_earlier_words(patch.read_text()))
    values = patch.parent / "as-played.npz"
    stored = read_program(values)
    write_program(values, replace(stored, addresses=tuple(earlier.get(address, address) for address in ADDRESSES)))
    for path in (take / "performance.mid", take / "before.mid"):
        file = mido.MidiFile(path)
        words = [message for message in file.tracks[0] if message.type == "text"]
        for message in words:
            message.text = in_earlier_words(message.text)
        assert any("layer.2.form.chop.open" in message.text for message in words)
        file.save(path)
    write_metadata(take, read_metadata(take).model_copy(update={"files": digests(take)}))


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take that began amid a show, in earlier words."""
    with studio(tmp_path_factory.mktemp("takes")) as playing:
        engine = playing.engine
        engine.push(swap_event(0, playing.hold("swell", PLAYED)))
        engine.push(set_event(0, "layer.2.form.gaps.open", 0.7))
        engine.push(midi_event(5, 0x90, 60, 90), RING_MIDI)
        playing.play(1500)
        found = playing.begin()
        for k in range(5):
            engine.push(midi_event(engine.time + 9, 0xB0, 1, 12 * k), RING_MIDI)
            engine.push(midi_event(engine.time + 11, 0xB0, 2, 127 - 30 * k), RING_MIDI)
            engine.push(midi_event(engine.time + 13, 0xD0, 25 * k), RING_MIDI)
            engine.push(set_event(0, "layer.2.form.gaps.open", 0.1 + 0.2 * k))
            playing.play(1500)
        playing.stop()
    write_as_the_version_before(found)
    return found


def test_a_take_in_earlier_words_is_rendered_to_the_same_bytes(take: Path, tmp_path: Path) -> None:
    said = export_take(take, tmp_path / "again.wav", block=77)
    assert (tmp_path / "again.wav").read_bytes() == (take / "sound.wav").read_bytes()
    assert len(said) == 1
    assert "the same bytes as the recording" in said[0]


@pytest.mark.parametrize(
    ("earlier", "present"),
    [
        ("layer.1.notes.touch", "layer.1.notes.size_by_velocity"),
        ("layer.2.notes.press", "layer.2.notes.size_by_pressure"),
        ("layer.3.form.chop.gates", "layer.3.form.gaps.gates"),
        ("layer.8.form.ripple.by", "layer.8.form.billow.by"),
    ],
)
def test_an_event_of_an_earlier_address_moves_the_present_parameter(earlier: str, present: str) -> None:
    assert event_from_text(f"set {earlier} 0x1p-1")[1:3] == (index_of(present), 0.5)


def test_the_program_in_earlier_words_is_the_program_that_was_played(take: Path) -> None:
    (patch,) = take.glob("programs/*/*.toml")
    stored = read_program(patch.parent / "as-played.npz")
    assert stored.addresses == ADDRESSES
    assert identity_of(rebuild(stored, patch.read_text(), patch)) == stored.identity
