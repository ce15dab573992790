"""Device profiles: what the display behind each audio device needs, a file for each in the user's settings."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from instrument.audio.correction_table import INDEX, QUANTITIES, Correction
from instrument.common.safe_files import write_atomically
from instrument.common.user_folders import settings_folder
from instrument.patch.line_numbers import lines_of
from instrument.patch.number import kind_of
from instrument.patch.patch_errors import PatchError, Problem, did_you_mean, listed, shown
from instrument.patch.patch_file import NEW, check_version, parsed, read_text
from instrument.patch.schema.patch_schema import SCHEMA

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from instrument.audio.choice import Choice
    from instrument.audio.devices import AudioDevice

SILENT = "silent clock"
"""Name of the profile that belongs to playing without a device, where adjusting can be tried."""

_NEW = "Make it anew with: beamhand calibrate"

_HEAD = """\
# What the display behind this device needs; made by: beamhand calibrate
schema = {schema}
device = {device}
"""


def profiles_folder() -> Path:
    """Return the folder of the profiles, which may not be there."""
    return settings_folder() / "devices"


def profile_name(device: AudioDevice | None) -> str:
    """Return the name that a device's profile has: as it is listed, or of what a JACK server plays through.

    Parameters
    ----------
    device : AudioDevice or None
        None for the silent clock.
    """
    if device is None:
        return SILENT
    return f"{device.behind} ({device.host})" if device.behind else device.label


def profile_file(name: str, folder: Path | None = None) -> Path:
    """Return the file of a device's profile, which may not be there.

    Parameters
    ----------
    name : str
        From `profile_name`; any text is one.
    folder : Path, optional
        By default `profiles_folder`.
    """
    plain = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:40]
    mark = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return (folder or profiles_folder()) / f"{plain}-{mark}.toml"


def load_profile(name: str, folder: Path | None = None) -> Correction | None:
    """Return what the display behind a device needs, or None if nobody has said.

    Raises
    ------
    PatchError
        If its file cannot be used, naming file, line, field and mend.
    """
    path = profile_file(name, folder)
    if not path.exists():
        return None
    return read_profile(path)[1]


def read_profile(path: Path) -> tuple[str, Correction]:
    """Return the name of the device that a file is for, and what its display needs.

    Raises
    ------
    PatchError
        If it cannot be used, naming every fault with its line.
    """
    try:
        text = read_text(path)
    except PatchError as error:
        told = [replace(one, text=one.text.replace(NEW, _NEW)) for one in error.problems]
        raise PatchError(path, *told) from None
    data = parsed(text, str(path))
    check_version(data, text, str(path))
    lines = lines_of(text)
    device = data.get("device", "")
    problems = []
    if not isinstance(device, str) or not device:
        is_what = shown(device) if isinstance(device, str | int | float) else kind_of(device)
        said = f'device is {is_what}; it takes the name of the device, as device = "{SILENT}".'
        problems.append(Problem(said, "device", lines.get(("device",))))
    correction = Correction()
    for place, value in _leaves({key: data[key] for key in data if key not in {"schema", "device"}}):
        name = ".".join(place)
        line = lines.get(place)
        if name not in INDEX or name in {row.short for row in QUANTITIES}:
            names = [row.name for row in QUANTITIES]
            said = f"{name} is not a field; a profile takes {listed(names, 'and')}. {did_you_mean(name, names)}"
            problems.append(Problem(said.strip(), name, line))
            continue
        try:
            correction = correction.with_value(name, value)
        except ValueError as error:
            problems.append(Problem(str(error), name, line))
    if problems:
        raise PatchError(path, *problems)
    return device, correction


def _leaves(table: dict[str, Any]) -> list[tuple[tuple[str, ...], Any]]:
    # Written as gain.x = 1 or as x = 1 under [gain]; whatever lies deeper is nothing that is known.
    found: list[tuple[tuple[str, ...], Any]] = []
    for key, value in table.items():
        below = value.items() if isinstance(value, dict) else ()
        found += [((key, inner), one) for inner, one in below] or [((key,), value)]
    return found


def save_profile(name: str, correction: Correction, folder: Path | None = None) -> Path:
    """Write a device's profile, whole or not at all, and return its file.

    Raises
    ------
    OSError
        If it cannot be written; an old one is untouched then.
    """
    path = profile_file(name, folder)
    path.parent.mkdir(parents=True, exist_ok=True)
    text = _HEAD.format(schema=SCHEMA, device=_quoted(name))
    for row, value in zip(QUANTITIES, correction.values, strict=True):
        written = ("true" if value else "false") if row.switch else repr(float(value))
        unit = f", {row.unit}" if row.unit else ""
        text += f"{row.name} = {written}  # {row.about}{unit}\n"
    write_atomically(path, text.encode("utf-8", "replace"))
    return path


def _quoted(text: str) -> str:
    # TOML's basic strings take everything but these and control characters.
    escaped = re.sub(r'[\\"]', r"\\\g<0>", text)
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda found: f"\\u{ord(found.group()):04x}", escaped) + '"'


def forget_profile(name: str, folder: Path | None = None) -> bool:
    """Take a device's profile away, even one that cannot be read; return whether there was one.

    Raises
    ------
    OSError
        If it cannot be taken away.
    """
    path = profile_file(name, folder)
    found = path.exists()
    path.unlink(missing_ok=True)
    return found


def all_profiles(folder: Path | None = None) -> tuple[list[tuple[str, Correction]], list[str]]:
    """Return every profile with the name of its device, and a sentence for each file that cannot be used."""
    profiles, troubles = [], []
    for path in sorted((folder or profiles_folder()).glob("*.toml")):
        try:
            profiles.append(read_profile(path))
        except PatchError as error:
            troubles.append(str(error))
    return sorted(profiles), troubles


def saved_name(wanted: str, folder: Path | None = None) -> str | None:
    """Return the name of the one saved profile that is meant, by its name or part of it; None if there is not one."""
    names = [name for name, _ in all_profiles(folder)[0]]
    part = wanted.casefold()
    for found in ([n for n in names if n.casefold() == part], [n for n in names if part in n.casefold()]):
        if len(found) == 1:
            return found[0]
    return None


def with_profile(
    choice: Choice,
    say: Callable[[str], None],
    complain: Callable[[str, str], None],
    folder: Path | None = None,
) -> Choice:
    """Return a choice of device with the profile of that device, and say so.

    Parameters
    ----------
    choice : Choice
    say : callable
        Takes the sentence of a profile that is applied.
    complain : callable
        Takes why one cannot be applied, and what is done instead; nothing stops for it.
    folder : Path, optional
    """
    name = profile_name(choice.device)
    try:
        correction = load_profile(name, folder)
    except (PatchError, OSError) as error:
        complain(str(error).rstrip("."), "playing without it")
        return choice
    if correction is None or correction.neutral:
        return choice
    say(f"corrected for the display behind {name}: {correction.in_words()} (--no-profile plays without)")
    return replace(choice, outputs=replace(choice.outputs, correction=correction))
