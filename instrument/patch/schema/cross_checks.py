"""What must agree across a patch: links name modulators that are there, addresses name layers that are there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.engine.memory.layout import CURVE_POINTS
from instrument.patch.line_numbers import Path
from instrument.patch.patch_errors import did_you_mean, listed, shown
from instrument.patch.schema.modulators import KIND_ROWS
from instrument.patch.schema.sources import kind_of_row

if TYPE_CHECKING:
    from instrument.patch.schema.patch_schema import Patch

Finding = tuple[Path, str, str]
"""Path of the field, its address for people, and the sentence."""


def cross_problems(patch: Patch) -> list[Finding]:
    """Return what does not fit together; nothing for a patch that can be built."""
    found: list[Finding] = []
    found += _name_problems(patch)
    for k, link in enumerate(patch.link):
        name = f"link.{k + 1}"
        if modulator_index(patch, link.modulator) is None:
            said = f"{name}.modulator is {shown(link.modulator)}; {_modulators(patch, link.modulator)}"
            found.append((("link", k, "modulator"), f"{name}.modulator", said))
        found += _address_problem(patch, link.parameter, ("link", k, "parameter"), f"{name}.parameter")
    for k, control in enumerate(patch.control):
        if control.parameter is None:
            continue
        path: Path = ("control", k, "parameter")
        found += _address_problem(patch, control.parameter, path, f"control.{k + 1}.parameter")
    for k, snapshot in enumerate(patch.snapshot):
        for address in snapshot.values:
            place: Path = ("snapshot", k, "values", address)
            found += _address_problem(patch, address, place, f"snapshot.{k + 1}.values.{address}")
    found += _curve_problem(patch)
    return found


def modulator_index(patch: Patch, reference: int | str) -> int | None:
    """Return the 0-based place of a modulator named, or numbered from 1; None if there is no such one."""
    if isinstance(reference, int):
        return reference - 1 if 1 <= reference <= len(patch.modulator) else None
    names = [modulator.name for modulator in patch.modulator]
    return names.index(reference) if reference and reference in names else None


def finds(patch: Patch, address: str) -> bool:
    """Return whether a patch has the parameter of an address, so that a control can move something there."""
    return not _address_problem(patch, address, (), "")


def _modulators(patch: Patch, reference: int | str) -> str:
    if not patch.modulator:
        return "the patch has no modulator. Add one with [[modulator]]."
    names = [modulator.name for modulator in patch.modulator if modulator.name]
    near = did_you_mean(str(reference), names) if names else ""
    known = f", called {', '.join(names)}" if names else ""
    count = len(patch.modulator)
    return f"the patch has {count} modulator{'s' if count > 1 else ''}{known}. {near}".strip()


def _name_problems(patch: Patch) -> list[Finding]:
    found: list[Finding] = []
    seen: dict[str, int] = {}
    for k, modulator in enumerate(patch.modulator):
        if modulator.name and modulator.name in seen:
            first = seen[modulator.name] + 1
            said = (
                f"modulator.{k + 1}.name is {shown(modulator.name)}, as is that of modulator.{first}; "
                "links could not tell them apart. Give it another name."
            )
            found.append((("modulator", k, "name"), f"modulator.{k + 1}.name", said))
        seen.setdefault(modulator.name, k)
    return found


def _address_problem(patch: Patch, address: str, path: Path, name: str) -> list[Finding]:
    stem, *rest = address.split(".")
    owned: dict[str, list[Any]] = {"layer": patch.layer, "mod": patch.modulator, "link": patch.link}
    if stem not in owned:
        return []
    count = len(owned[stem])
    words = {"layer": "layer", "mod": "modulator", "link": "link"}[stem]
    if int(rest[0]) > count:
        there = f"has {count} {words}{'s' if count != 1 else ''}" if count else f"has no {words}"
        return [(path, name, f"{name} is {shown(address)}; the patch {there}. Add one with [[{words}]].")]
    if stem == "layer" and rest[1] in {"source", "form"}:
        return [(path, name, said) for said in _idle_layer(patch, int(rest[0]), rest[1:], address, name)]
    if stem == "mod":
        kind = patch.modulator[int(rest[0]) - 1].kind
        if ".".join(rest[1:]) not in KIND_ROWS[kind]:
            takes = listed(KIND_ROWS[kind], "and")
            said = f"{name} is {shown(address)}; a modulator of kind {kind} listens to {takes} alone."
            return [(path, name, said)]
    return []


_DRAWN = {"harmonic": "harmonic terms", "path": "path", "formula": "formulas", "input": "live input"}


def _idle_layer(patch: Patch, number: int, rest: list[str], address: str, name: str) -> list[str]:
    # What a link or a control would move in vain: the layer has no such source or form.
    layer = patch.layer[number - 1]
    where = f"{name} is {shown(address)}; layer {number}"
    if rest[0] == "form":
        kind = rest[1]
        if kind in [form.kind for form in layer.form]:
            return []
        mend = f'Give the layer a [[layer.form]] of kind = "{kind}".'
        return [f"{where} passes no {kind}, so it would move nothing. {mend}"]
    kind = kind_of_row(rest[1])
    if layer.source is not None and layer.source.kind == kind:
        return []
    mend = f'Give the layer a source of kind = "{kind}".'
    return [f"{where} draws no {_DRAWN[kind]}, so it would move nothing. {mend}"]


def _curve_problem(patch: Patch) -> list[Finding]:
    total = 0
    for k, control in enumerate(patch.control):
        total += len(control.points or [])
        if total > CURVE_POINTS:
            said = f"control.{k + 1}.points is one too many; all controls together have {CURVE_POINTS} pairs."
            return [(("control", k, "points"), f"control.{k + 1}.points", said + " Use fewer pairs.")]
    return []
