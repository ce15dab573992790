"""Requests of the window: one table from the name of a request to what is done, and the files dropped onto it.

A request is one JSON object with its name under ``do``. Whatever it holds, the show goes on: what cannot be met is told in one
sentence, which the window shows.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from instrument.drawings.readers.by_ending import FILMS, READERS
from instrument.engine.engine import action_event, panic_event
from instrument.engine.memory.layout import CHANGE_OVER, RING_COMMAND, SWITCH_OFF, SWITCH_ON
from instrument.engine.parameters import ADDRESSES, index_of
from instrument.patch.description import plain
from instrument.patch.patch_errors import did_you_mean
from instrument.repertoire.patch_worker import Job

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.engine.engine import Engine
    from instrument.repertoire.set_list import SetList
    from instrument.workbench.autosave import Autosave
    from instrument.workbench.learning import Learning
    from instrument.workbench.patch_edits import PatchEdits
    from instrument.workbench.quit_prompt import QuitPrompt
    from instrument.workbench.take_control import TakeControl

Request = dict[str, Any]

ALIVE = "alive"
"""Request by which a window says each second that it goes on."""

SOUNDS = frozenset({".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3", ".rf64", ".w64", ".caf"})
PERFORMANCES = frozenset({".mid", ".midi", ".smf"})

_NOT_STORED = ("tempo.tap", "tempo.restart", "morph.")
"""Beginnings of addresses that act when they are set, and so are no part of a snapshot."""

_LONGEST = 80
"""Number of characters of a request that a message shows."""


class Requests:
    """Table of all requests over the parts that meet them.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` belongs to the thread that calls this object.
    set_list : SetList
    edits : PatchEdits
    recording : TakeControl
    learning : Learning
    autosave : Autosave
    quit_prompt : QuitPrompt
    complain : callable
        Takes the sentence about a request that cannot be met.
    """

    def __init__(
        self,
        engine: Engine,
        set_list: SetList,
        edits: PatchEdits,
        recording: TakeControl,
        learning: Learning,
        autosave: Autosave,
        quit_prompt: QuitPrompt,
        complain: Callable[[str], None],
    ) -> None:
        self._engine, self._set_list, self._edits = engine, set_list, edits
        self._complain = complain
        self.table: dict[str, Callable[[Request], object]] = {
            "add": lambda request: edits.edit([request]),
            ALIVE: lambda _: None,
            "blackout": self._switch,
            "change": lambda request: edits.edit(list(request["changes"]), str(request.get("label") or "")),
            "discard": lambda _: autosave.discard(),
            "drop": self._drop,
            "edit": lambda request: edits.edit([request]),
            "forget": learning.ask,
            "freeze": self._switch,
            "keep": lambda _: recording.ask("keep"),
            "learn": learning.ask,
            "morph": self._morph,
            "next": lambda _: set_list.step(1),
            "panic": lambda _: self._push(panic_event()),
            "previous": lambda _: set_list.step(-1),
            "quit": lambda request: quit_prompt.quit(sure=bool(request.get("sure")), save=bool(request.get("save"))),
            "recall": lambda request: set_list.go_to(_whole(request, "index")),
            "record": lambda request: recording.ask("record", request.get("on")),
            "recover": lambda _: autosave.recover(),
            "redo": lambda _: edits.redo(),
            "release": lambda _: edits.close_step(),
            "reload": lambda _: set_list.reload(),
            "remove": lambda request: edits.edit([request]),
            "reset": lambda request: edits.reset(str(request["address"])),
            "revert": lambda _: edits.revert(),
            "save": lambda _: edits.save(),
            "save_as": self._save_as,
            "set": self._set,
            "snapshot": self._snapshot,
            "stay": lambda _: quit_prompt.stay(),
            "store": self._store,
            "tap": lambda _: self._act("tap"),
            "undo": lambda _: edits.undo(),
            "unlearn": learning.ask,
        }
        """Function for each request by its name."""

    def do(self, request: Request) -> None:
        """Meet a request, or tell why it cannot be met."""
        name = request.get("do")
        meet = self.table.get(name) if isinstance(name, str) else None
        if meet is None:
            self._complain(f"the stage does not know what {_shown(name)} is; {_shown(request)} was passed over.")
            return
        try:
            meet(request)
        except KeyError as error:
            why = str(error.args[0]) if error.args else ""
            said = why if " " in why else f"it says no {why}"
            self._complain(f"{name} cannot be done: {said}.")
        except (ValueError, TypeError, OverflowError, OSError, RecursionError) as error:
            self._complain(str(error) or f"{name} cannot be done ({type(error).__name__}).")

    def _push(self, event: Any) -> None:
        if not self._engine.push(event, RING_COMMAND):
            raise ValueError("the engine takes no more changes at the moment; is it running?")

    def _set(self, request: Request) -> None:
        address, value = request["address"], request["value"]
        if not isinstance(address, str) or isinstance(value, bool) or not isinstance(value, int | float | str):
            raise ValueError(f"this parameter cannot be set ({_shown(address)} to {_shown(value)}).")
        # A value that was typed is a step of its own, whatever a drag of the same parameter has begun.
        alone = bool(request.get("alone"))
        if alone:
            self._edits.close_step()
        self._edits.set(address, value, drag=request.get("drag"))
        if alone:
            self._edits.close_step()

    def _snapshot(self, request: Request) -> None:
        names = self._set_list.current.description.snapshots
        self._act("snapshot", index_named(names, request.get("name", request.get("index"))) + 1)

    def _morph(self, request: Request) -> None:
        names = self._set_list.current.description.snapshots
        index = index_named(names, request.get("name", request.get("index")))
        if request.get("beats") is not None:
            self._edits.set("morph.time", request["beats"])
        self._act("morph", index + 1)

    def _act(self, action: str, value: float = 0.0) -> None:
        self._push(action_event(0, action, value))

    def _switch(self, request: Request) -> None:
        on = request.get("on")
        value = (SWITCH_ON if on else SWITCH_OFF) if isinstance(on, bool) else CHANGE_OVER
        self._act(str(request["do"]), value)

    def _save_as(self, request: Request) -> None:
        name = request["name"]
        if not isinstance(name, str) or not name.strip() or "\0" in name:
            raise ValueError("save_as needs the name of a file.")
        # Beside the patch that plays, as its drawings are named from there.
        path = self._set_list.current.path.parent / name.strip()
        path = path if path.suffix == ".toml" else path.with_name(f"{path.name}.toml")
        if path.exists() and not request.get("replace"):
            raise ValueError(f"{path} is there already; choose another name, or say that it may be replaced.")
        self._edits.save(to=path)

    def _store(self, request: Request) -> None:
        name = request.get("name")
        working = self._set_list.working
        names = working.loaded.description.snapshots
        name = name if isinstance(name, str) and name.strip() else f"snapshot {len(names) + 1}"
        values = self._worth_storing()
        if name in names:
            path: list[str | int] = ["snapshot", names.index(name), "values"]
            self._edits.edit([{"do": "edit", "path": path, "value": values}], f"storing {name}")
            return
        value = {"name": name, "values": values}
        self._edits.edit([{"do": "add", "path": ["snapshot"], "value": value}], f"storing {name}")

    def _worth_storing(self) -> dict[str, Any]:
        # Only what hands have moved or could move: all parameters would make every snapshot hundreds of lines.
        working = self._set_list.working
        sounding = self._set_list.sounding(working)
        now = self._set_list.now(working)
        addresses = {str(change["address"]) for change in working.changes(sounding) if "address" in change}
        listed = working.loaded.description.parameters
        there = {row["address"] for row in listed}
        addresses |= {row["address"] for row in listed if any(mover["by"] == "control" for mover in row["moved"])}
        for snapshot in working.loaded.description.document.get("snapshot", []):
            addresses |= set(snapshot["values"]) & there
        addresses |= {ADDRESSES[index] for index in working.history.touched} & there
        addresses = {address for address in addresses if not address.startswith(_NOT_STORED)}
        return {address: plain(float(now[index_of(address)])) for address in sorted(addresses, key=index_of)}

    def _drop(self, request: Request) -> None:
        path = request["path"]
        if not isinstance(path, str) or not path or "\0" in path:
            raise ValueError("drop needs the path of a file.")
        take_dropped(Path(path), request.get("layer"), self._set_list, self._edits, self._engine.rate)


def _whole(request: Request, name: str) -> int:
    value = request[name]
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{request['do']} needs a whole number as {name}, not {_shown(value)}.")
    return value


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 4] + " ..."


def index_named(names: tuple[str, ...], name: object) -> int:
    """Return the index of a snapshot that is named, or numbered from 0.

    Raises
    ------
    ValueError
        If there is none.
    """
    if isinstance(name, int) and not isinstance(name, bool) and 0 <= name < len(names):
        return name
    if isinstance(name, str) and name in names:
        return names.index(name)
    known = f"there are {', '.join(names)}" if names else "the patch has none yet"
    raise ValueError(f"there is no snapshot {name!r}; {known}. {did_you_mean(str(name), names)}".strip())


def take_dropped(path: Path, layer: object, set_list: SetList, edits: PatchEdits, rate: float) -> None:
    """Use a file that was dropped onto the window.

    Parameters
    ----------
    path : Path
        A drawing becomes the source of a layer; a patch, or the patches of a set list, come behind the one that plays,
        and play; a MIDI file is performed.
    layer : object
        Layer for a drawing, from 0; the first unless given, and a new one if the patch has none there.
    set_list : SetList
    edits : PatchEdits
    rate : float
        Sample rate in hertz.

    Raises
    ------
    ValueError
        If nothing can be done with it.
    """
    ending = path.suffix.lower()
    if ending == ".toml":
        set_list.worker.ask(Job("open", path))
    elif ending in PERFORMANCES:
        set_list.worker.ask(Job("perform", path, rate=rate))
    elif ending in SOUNDS:
        raise ValueError(
            f"{path.name} is sound, which a patch does not play; a still of it is made by: "
            f"beamhand render {path.name} -o {path.stem}.png"
        )
    elif ending in READERS or ending in FILMS or path.is_dir():
        _use_drawing(path, layer, set_list, edits)
    else:
        raise ValueError(
            f"{path.name} cannot be used; drop a drawing ({', '.join(sorted([*READERS, *FILMS]))}), a patch or set list (.toml), "
            "or a MIDI file (.mid)."
        )


def _use_drawing(path: Path, layer: object, set_list: SetList, edits: PatchEdits) -> None:
    working = set_list.working
    source: dict[str, Any] = {"kind": "path", "drawing": _relative_name(working.path.parent, path)}
    layers = len(working.loaded.description.document.get("layer", []))
    index = layer if isinstance(layer, int) and not isinstance(layer, bool) and layer >= 0 else 0
    label = f"drawing {path.name}"
    if index < layers:
        edits.edit([{"do": "edit", "path": ["layer", index, "source"], "value": source}], label)
    else:
        edits.edit([{"do": "add", "path": ["layer"], "value": {"name": path.stem, "source": source}}], label)


def _relative_name(folder: Path, path: Path) -> str:
    # Relative where the patch lies near, so that both can be moved together.
    whole = Path(os.path.realpath(path))
    near = Path(os.path.realpath(folder))
    return whole.relative_to(near).as_posix() if whole.is_relative_to(near) else str(whole)
