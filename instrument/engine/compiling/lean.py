"""Compile what is kept and nothing besides: numba makes machine code of every function on the way to a unit."""

from __future__ import annotations

from typing import Any

from numba import types
from numba.core import codegen

_HOOKS = (
    (codegen.JITCodeLibrary, "_finalize_specific"),
    (codegen.JITCodeLibrary, "_get_compiled_object"),
    (codegen.JITCodeLibrary, "get_pointer_to_function"),
    (codegen.JITCPUCodegen, "_add_module"),
    (codegen.JITCPUCodegen, "set_env"),
)
"""Methods of numba that are replaced; there is no public door."""


def can_be_spared() -> bool:
    """Return whether this version of numba has all that `spare_machine_code` replaces."""
    return all(callable(getattr(owner, name, None)) for owner, name in _HOOKS)


def remember_names_of_records() -> None:
    """Let the description of a record type be written once: numba asks for it hundreds of times for each function.

    The engine's memory is one record of some hundred fields, many of them records; writing it out anew was a sixth of the
    time that compiling took.
    """
    describe = types.Record.__repr__

    def remembered(self: Any) -> str:
        text: str | None = self.__dict__.get("_described")
        if text is None:
            text = self._described = describe(self)
        return text

    types.Record.__repr__ = remembered


def spare_machine_code() -> bool:
    """Let functions stay LLVM's intermediate form until they are linked into the unit that is kept.

    Numba compiles each callee to machine code of its own, so that Python could call it. In a process that calls nothing
    this is half of the work. What is kept is linked, optimised and compiled as ever, so its machine code is the same.

    Returns
    -------
    bool
        False where this version of numba is built otherwise and everything is compiled as usual.
    """
    if not can_be_spared():
        return False
    library, machine = codegen.JITCodeLibrary, codegen.JITCPUCodegen
    make, add = library._finalize_specific, machine._add_module  # noqa: SLF001 - there is no public door
    find, take = library.get_pointer_to_function, library._get_compiled_object  # noqa: SLF001 - as above
    waiting: set[int] = set()

    def wait(self: Any) -> None:
        waiting.add(id(self))

    def realise(self: Any) -> None:
        if id(self) in waiting:
            waiting.discard(id(self))
            add(self._codegen, self._final_module)
            make(self)

    def pointer(self: Any, name: str) -> int:
        self._ensure_finalized()
        if name.startswith("_ZN7cpython"):
            return 0  # what Python would call, which nobody does here
        realise(self)
        return int(find(self, name))

    def compiled_object(self: Any) -> Any:
        realise(self)
        return take(self)

    library._finalize_specific = wait  # noqa: SLF001 - as above
    library._get_compiled_object = compiled_object  # noqa: SLF001 - as above
    library.get_pointer_to_function = pointer
    # What a function would hand to Python has no place without machine code.
    machine.set_env = lambda *_: None
    machine._add_module = lambda *_: None  # noqa: SLF001 - as above
    return True
