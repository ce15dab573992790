"""Changing what a patch file holds: what was asked for changes, and nothing else."""

from __future__ import annotations

import tomllib

import pytest

from instrument.patch.editing.rewrite import Change, EditError, change_from, rewritten
from instrument.patch.patch_file import STARTER, patch_from_text

TEXT = STARTER.read_text(encoding="utf-8")


def changed_lines(*changes: Change) -> tuple[list[str], list[str]]:
    """Lines that have gone, and lines that have come."""
    before, after = TEXT.splitlines(), rewritten(TEXT, changes).splitlines()
    patch_from_text("\n".join(after))
    return [line for line in before if line not in after], [line for line in after if line not in before]


@pytest.mark.parametrize(
    ("change", "gone", "come"),
    [
        (Change("edit", ("layer", 0, "pen", "frequency"), 220.0), "frequency = 440", "frequency = 220"),
        (
            Change("edit", ("modulator", 0, "rate"), "1/3"),
            "rate = 0.2       # Hz",
            'rate = "1/3"       # Hz',
        ),
        (Change("edit", ("layer", 0, "place", "spin", 2), 0.5), "spin = [0, 0, 0.05]", "spin = [0, 0, 0.5]"),
        (Change("edit", ("layer", 0, "place", "size"), "-inf"), "size = 0.85", "size = -inf"),
        (Change("edit", ("output", "ac"), True), "ac = false       #", "ac = true       #"),
    ],
    ids=["whole number", "arithmetic", "one of an axis", "not finite", "switch"],
)
def test_one_line_changes_and_keeps_its_comment(change: Change, gone: str, come: str) -> None:
    ((before,), (after,)) = changed_lines(change)
    assert before.startswith(gone)
    assert after.startswith(come)


def test_a_field_that_was_not_written_gets_a_line() -> None:
    assert changed_lines(Change("edit", ("modulator", 0, "phase"), 0.25)) == ([], ["phase = 0.25"])


def test_a_layer_comes_with_headers_of_its_own() -> None:
    layer = {"source": {"kind": "harmonic", "preset": "circle"}, "name": "moon"}
    gone, come = changed_lines(Change("add", ("layer",), layer))
    assert gone == []
    assert come == ['name = "moon"', 'preset = "circle"']
    data = tomllib.loads(rewritten(TEXT, [Change("add", ("layer",), layer)]))
    assert data["layer"][1] == layer


def test_what_refers_to_a_layer_follows_it() -> None:
    layer = {"source": {"kind": "harmonic", "preset": "circle"}}
    data = tomllib.loads(rewritten(TEXT, [Change("add", ("layer", 0), layer)]))
    assert data["link"][0]["parameter"] == "layer.2.place.turn.x"
    assert {row["parameter"].split(".")[1] for row in data["control"]} == {"2"}


def test_what_refers_to_a_layer_goes_with_it_and_the_rest_stays_playable() -> None:
    text = rewritten(TEXT, [Change("remove", ("layer", 0))])
    data = tomllib.loads(text)
    assert not {"layer", "link", "control"} & data.keys()
    assert data["modulator"] == tomllib.loads(TEXT)["modulator"]
    patch_from_text(text)


def test_values_links_and_snapshots_follow_a_modulator() -> None:
    text = (
        TEXT
        + '[[snapshot]]\nvalues = {"mod.2.rate" = 3, "layer.1.level" = 1}\n[values]\n"mod.2.phase" = 0.5\n'
        + '[[modulator]]\nname = "swell"\n[[link]]\nmodulator = 2\nparameter = "mod.1.rate"\n'
        + '[[link]]\nmodulator = "swell"\nparameter = "link.1.depth"\n'
    )
    data = tomllib.loads(rewritten(text, [Change("remove", ("modulator", 0))]))
    assert data["snapshot"] == [{"values": {"mod.1.rate": 3, "layer.1.level": 1}}]
    assert data["values"] == {"mod.1.phase": 0.5}
    # Its own link, the link that moved it, and the link that moved its link are gone with it.
    assert "link" not in data


@pytest.mark.parametrize(
    "request_",
    [
        {"do": "edit", "path": ["layer"] * 17, "value": 1},
        {"do": "edit", "path": "layer", "value": 1},
        {"do": "edit", "path": [True], "value": 1},
        {"do": "edit", "path": ["layer", 0, "level"]},
        {"do": "paint", "path": ["layer"], "value": 1},
    ],
    ids=["deep", "text", "truth", "no value", "unknown"],
)
def test_what_is_no_change_is_refused(request_: object) -> None:
    with pytest.raises(EditError):
        change_from(request_)


@pytest.mark.parametrize(
    "path", [("layer", 1), ("layer", -1), ("layer", 0, "pen", "kee"), ("title", 0), ("layer", "level")]
)
def test_what_is_not_there_cannot_be_taken_out(path: tuple[str | int, ...]) -> None:
    with pytest.raises(EditError):
        rewritten(TEXT, [Change("remove", path)])
