"""A form, a modulator and a source that nobody has, added as the engine's README says, can be played from a patch file."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from textwrap import indent
from typing import Any

import pytest

import instrument.engine.engine as engine_module

PACKAGE = Path(engine_module.__file__).parents[1]
README = PACKAGE / "engine" / "README.md"

RECIPE = re.compile(r"`(?P<module>[\w/]+\.py)`:\n\n```python\n(?P<code>.*?)```", re.DOTALL)
ROW = re.compile(r"the end of `(?P<table>_\w+)` in $")

NEEDED = ("start", "modulate", "layers", "layer_draw", "layer_notes", "forms")
"""Units that the patch below runs through; formulas, controls and MIDI are none of its business."""

PATCH = """
schema = 1
ramp = 0
fade = 0

[[layer]]
pen.frequency = 100

[layer.source]
kind = "zigzag"
teeth = 2

[[layer.form]]
kind = "squash"
height = 0.25

[[modulator]]
name = "climb"
kind = "stairs"
rate = 10
treads = 2

[[link]]
modulator = "climb"
parameter = "layer.1.level"
depth = -0.5
"""

PLAY = """
import json, sys
from pathlib import Path

from instrument.engine.compiling.units import compile_only

compile_only(*sys.argv[2:])

from instrument.engine.engine import Engine
from instrument.engine.memory.views import active_instance
from instrument.patch.build import build_program
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import patch_from_text
from instrument.patch.reference import reference
from instrument.window.pages.motion import NEW_MODULATORS

text = sys.argv[1]
engine = Engine(48000.0)
engine.play(build_program(patch_from_text(text, Path("invented.toml"))))
sound = engine.render(9600)
said = []
for wrong in (text.replace("teeth = 2", "tooth = 2"), text.replace("squash", "squish")):
    try:
        patch_from_text(wrong, Path("invented.toml"))
    except PatchError as error:
        said.append(str(error))
engine.play(build_program(patch_from_text(text, Path("invented.toml"))), carry=True)
engine.render(480)
print(json.dumps({
    "sound": sound[:, :2].T.tolist(),
    "pressed": int(active_instance(engine.record)["forms"]["squash"]["pressed"][0]),
    "values": {name: value for name, value in engine.values().items() if "layer.1." in name or "mod.1." in name},
    "reference": reference(),
    "said": said,
    "beginning": NEW_MODULATORS["stairs"],
}))
"""


def follow_the_recipes(engine: Path) -> list[str]:
    """Put the README's new modules and rows into a copy of the engine; return where they went."""
    text = README.read_text(encoding="utf-8").partition("\n## How to add")[2]
    changed = []
    for recipe in RECIPE.finditer(text):
        path = engine / recipe["module"]
        row = ROW.search(text[: recipe.start()])
        if row is None:
            assert not path.exists()
            path.write_text(recipe["code"], encoding="utf-8")
        else:
            before, head, rest = path.read_text(encoding="utf-8").partition(f"\n{row['table']} = (\n")
            rows, end, after = rest.partition("\n)\n")
            new = indent(recipe["code"].rstrip(), "    ")
            path.write_text(f"{before}{head}{rows}\n{new},{end}{after}", encoding="utf-8")
        changed.append(recipe["module"])
    return changed


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Return what a copy of the package that has the invented kinds makes of the patch."""
    folder = tmp_path_factory.mktemp("invented")
    shutil.copytree(PACKAGE, folder / "instrument", ignore=shutil.ignore_patterns("__pycache__", "factory"))
    changed = follow_the_recipes(folder / "instrument" / "engine")
    assert len(changed) == len(set(changed)) == 6, "three kinds, a kernel and a row each"
    environment = {**os.environ, "XDG_CACHE_HOME": str(folder / "cache"), "PYTHONPATH": str(folder)}
    environment.pop("NUMBA_CACHE_DIR", None)
    # It plays for a fifth of a second, which makes up for no last effort of the optimiser.
    environment["NUMBA_OPT"] = "1"

    def run(*command: str) -> str:
        done = subprocess.run(
            [sys.executable, *command], capture_output=True, text=True, check=False, cwd=folder, env=environment
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    for part in (*NEEDED, "callback"):
        run("-m", "instrument.engine.compiling.warm", part)
    found: dict[str, Any] = json.loads(run("-c", PLAY, PATCH, *NEEDED).splitlines()[-1])
    return found


def test_the_source_and_the_form_are_drawn(played: dict[str, Any]) -> None:
    x, y = played["sound"]
    # Sample 60 of a round of 480 is an eighth of it, where the first of two teeth is at its middle; y is pressed to a quarter.
    assert x[60] == pytest.approx(2.0 / 8.0 - 1.0, abs=1e-6)
    assert y[60] == pytest.approx(0.25 * 0.0, abs=1e-6)
    assert max(map(abs, y[:480])) == pytest.approx(0.25, abs=1e-2)


def test_the_modulator_moves_what_it_is_linked_to(played: dict[str, Any]) -> None:
    x, _ = played["sound"]
    # A cycle of 4800 samples in two treads: none of the level is taken away, then a quarter.
    for round_number, size in ((0, 1.0), (4, 1.0), (5, 0.75), (9, 0.75), (10, 1.0)):
        assert x[480 * round_number + 120] == pytest.approx(-0.5 * size, abs=1e-6), round_number


def test_what_the_form_remembers_is_counted_and_carried_on(played: dict[str, Any]) -> None:
    assert played["pressed"] == 9600 + 480


def test_their_parameters_have_addresses_and_the_values_of_the_patch(played: dict[str, Any]) -> None:
    values = played["values"]
    assert values["layer.1.source.teeth"] == 2.0
    assert values["layer.1.form.squash.height"] == 0.25
    assert values["mod.1.treads"] == 2.0


def test_the_guide_the_messages_and_the_window_know_them(played: dict[str, Any]) -> None:
    for words in ("Presses the drawing flat.", "Climbs from 0 in equal steps", "peaks along the line (teeth)"):
        assert words in played["reference"]
    wrong_field, wrong_kind = played["said"]
    assert "did you mean teeth" in wrong_field.lower()
    assert "did you mean squash" in wrong_kind.lower()
    assert played["beginning"] == {"kind": "stairs", "rate": 0.5}
