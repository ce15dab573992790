"""Compile what is kept and nothing besides: numba makes machine code of every function on the way to a unit."""

from __future__ import annotations

from typing import Any

from numba.core import codegen


def spare_machine_code() -> bool:
    """Let functions stay LLVM's intermediate form until they are linked into the unit that is kept.

    Numba compiles each callee to machine code of its own, so that Python could call it. In a process that calls nothing
    this is half of the work. What is kept is linked, optimised and compiled as ever, so its machine code is the same.

    Returns
    -------
    bool
        False where this version of numba is built otherwise and everything is compiled as usual.
    """
    library, machine = codegen.JITCodeLibrary, codegen.JITCPUCodegen
    wanted = (
        (library, "_finalize_specific"),
        (library, "_get_compiled_object"),
        (library, "get_pointer_to_function"),
        (machine, "_add_module"),
        (machine, "set_env"),
    )
    if not all(callable(getattr(owner, name, None)) for owner, name in wanted):
        return False
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
