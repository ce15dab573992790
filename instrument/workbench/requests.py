"""What the window may ask for: one table from the name of a request to what is done."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from instrument.engine.engine import action_event, panic_event
from instrument.engine.memory.layout import CHANGE_OVER, RING_COMMAND, SWITCH_OFF, SWITCH_ON
from instrument.engine.parameters import ADDRESSES, index_of
from instrument.patch.description import plain
from instrument.workbench.dropped_files import take_dropped
from instrument.workbench.patch_edits import index_named

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

_NOT_STORED = ("tempo.tap", "tempo.restart", "morph.")
"""Beginnings of addresses that do something when they are set."""

_LONGEST = 80
"""Characters of a request that a message shows."""


class Requests:
    """Does what the window asks for.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` belongs to the thread that calls this object.
    setlist : SetList
    desk : PatchEdits
    recording : TakeControl
    learning : Learning
    autosave : Autosave
    farewell : QuitPrompt
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
            "alive": lambda _: None,
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
        """Name of each request, and what it does."""

    def do(self, request: Request) -> None:
        """Meet a request; whatever it holds, nothing stops, and what cannot be met is told."""
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
        place = index_named(names, request.get("name", request.get("index")))
        if request.get("beats") is not None:
            self._edits.set("morph.time", request["beats"])
        self._act("morph", place + 1)

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
        # What hands have moved, or could have: all parameters would make every snapshot hundreds of lines.
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
