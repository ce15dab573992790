"""Options of engine code, the key of its cache, and units: the one set of options that keeps it free of Python, allocation and exceptions."""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import llvmlite
import llvmlite.binding
import numba
from llvmlite import ir
from numba import cfunc, njit, types
from numba.extending import intrinsic

from instrument.common import user_folders

if TYPE_CHECKING:
    from collections.abc import Callable

ENGINE = Path(__file__).resolve().parents[1]
"""The folder of the engine; every source in it and below decides the machine code."""

numba.config.DISABLE_INTEL_SVML = 1
# A vector maths library has other bits than the scalar one, and which of the two a sample meets would
# depend on the block size.


def _leave_out_linear_algebra() -> None:
    # numba looks for SciPy's BLAS before it compiles or loads anything, which is a sixth of a warm start;
    # nothing here multiplies matrices. An entry of None makes that one import fail.
    if "scipy.linalg" not in sys.modules:
        sys.modules["scipy.linalg"] = None  # type: ignore[assignment]
        try:
            importlib.import_module("numba.np.arraymath")
        finally:
            del sys.modules["scipy.linalg"]


_leave_out_linear_algebra()

OPTIONS: dict[str, Any] = {
    "error_model": "numpy",  # a division by zero is infinity, not an exception that takes the GIL
    "nogil": True,
    "_nrt": False,  # no runtime: code that would allocate does not compile
    "no_cpython_wrapper": True,
    "no_cfunc_wrapper": True,
}

compiled: Callable[[Callable[..., Any]], Any] = njit(**OPTIONS)
"""Decorator of every engine function."""

merged: Callable[[Callable[..., Any]], Any] = njit(inline="always", **OPTIONS)
"""Decorator of functions with one caller that only pass work on: they become part of that caller before
anything is compiled. Numba optimises each function together with all that it calls, so every level of
calls saved on the way from the callback down to the stages is one time less that all stages are compiled.
Leaves gain nothing: joining costs numba more than compiling them."""

inlined: Callable[[Callable[..., Any]], Any] = njit(forceinline=True, **OPTIONS)
"""Decorator of the small functions that loops call for each sample, so that the loop vectorises."""


def engine_sources(folder: Path | None = None) -> list[Path]:
    """Return every source file of the engine, in the order of their paths, from however deep a folder.

    Parameters
    ----------
    folder : Path, optional
        The engine's, where it is not this one.
    """
    folder = folder or ENGINE
    return sorted(folder.rglob("*.py"), key=lambda path: path.relative_to(folder).as_posix())


def source_key() -> str:
    """Return a key of everything that decides the machine code, for the folder of the compile cache.

    Numba looks only at the file of the function it caches, so an edit in another module would be
    served from stale machine code; a folder named by all sources cannot be stale.

    Returns
    -------
    str
        20 hexadecimal digits over all engine sources and the versions of Python, numba and llvmlite.
    """
    digest = hashlib.sha256()
    digest.update(f"{sys.version}|{numba.__version__}|{llvmlite.__version__}".encode())
    for path in engine_sources():
        digest.update(path.relative_to(ENGINE).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:20]


def cache_folder() -> Path:
    """Return the folder for machine code of exactly these sources (it may not exist yet)."""
    return user_folders.cache_folder() / f"engine-{source_key()}"


def place_cache() -> None:
    """Let numba keep machine code in `cache_folder`; to be called again when that has changed."""
    numba.config.CACHE_DIR = str(cache_folder())


place_cache()

ENTRY_OPTIONS: dict[str, Any] = {"error_model": "numpy", "_nrt": False}
"""Options of the C functions; what they call has `OPTIONS`."""


def quiet(function: Any) -> Any:
    """Return an intrinsic that calls a compiled function and ignores its error status.

    Numba's C callbacks contain code that takes the GIL and prints an exception, reached when a callee
    reports an error. Ours cannot raise, and calling them through this leaves no such code at all,
    which a test of the LLVM text can then insist on.

    Parameters
    ----------
    function : dispatcher
        A function decorated with `compiled`; its result is dropped.
    """

    @intrinsic
    def call(typing_context: Any, arguments: Any) -> Any:
        resolved = types.Dispatcher(function).get_call_type(typing_context, tuple(arguments), {})
        overload = function.overloads[resolved.args]

        def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            context.active_code_library.add_linking_library(overload.library)
            target = context.declare_function(builder.module, overload.fndesc)
            items = [builder.extract_value(values[0], k) for k in range(len(arguments))]
            context.call_conv.call_function(builder, target, overload.fndesc.restype, overload.fndesc.argtypes, items)
            return context.get_dummy_value()

        return types.void(arguments), generate

    return call


def kernel_named(path: str) -> Any:
    """Return a compiled function of the engine by its module and name, as ``forms.space.twist``; None for no name.

    Tables name their kernels so, because kernels read the layout of memory, which is made from the tables.
    """
    module, _, name = path.rpartition(".")
    return getattr(importlib.import_module(f"instrument.engine.{module}"), name) if name else None


def one_of(cases: dict[int, Any]) -> Any:
    """Return an intrinsic ``call(number, arguments)`` that runs the compiled function of a number, and none for others.

    One switch over functions that are compiled as they are: a chain of comparisons would have to be written again for
    every new kind of form, modulator or source. As with `quiet`, what the functions return is dropped.

    Parameters
    ----------
    cases : dict of int to dispatcher
        Functions decorated with `compiled`, which take the same arguments.
    """

    @intrinsic
    def call(typing_context: Any, number: Any, arguments: Any) -> Any:
        overloads = {}
        for case, function in cases.items():
            resolved = types.Dispatcher(function).get_call_type(typing_context, tuple(arguments), {})
            overloads[case] = function.overloads[resolved.args]

        def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            items = [builder.extract_value(values[1], k) for k in range(len(arguments))]
            done = builder.append_basic_block("done")
            switch = builder.switch(values[0], done)
            for case, overload in overloads.items():
                context.active_code_library.add_linking_library(overload.library)
                block = builder.append_basic_block(overload.fndesc.unique_name)
                switch.add_case(ir.Constant(values[0].type, case), block)
                builder.position_at_end(block)
                target = context.declare_function(builder.module, overload.fndesc)
                restype, argtypes = overload.fndesc.restype, overload.fndesc.argtypes
                context.call_conv.call_function(builder, target, restype, argtypes, items)
                builder.branch(done)
            builder.position_at_end(done)
            return context.get_dummy_value()

        return types.void(types.int64, arguments), generate

    return call


UNITS: dict[str, Any] = {}
"""The compiled units of this process by name."""


def keep_text(name: str, entry: Any) -> None:
    """Write the LLVM text of a C function that has just been compiled beside its machine code.

    A test reads there what the code in use can do: whether it waits, allocates or raises.

    Parameters
    ----------
    name : str
        Of the file, without ``.ll``.
    entry : CFunc
    """
    if entry.cache_hits == 0:
        with contextlib.suppress(OSError):
            (cache_folder() / f"{name}.ll").write_text(entry.inspect_llvm(), encoding="utf-8")


class Unit:
    """A part of the engine that is compiled on its own and called by the others by its name.

    Numba optimises a function together with everything that it calls, so one piece costs more than its parts, and
    one piece cannot use two cores. A unit is a C function; the others know its name and signature alone.

    Parameters
    ----------
    name : str
        Of the C symbol.
    arguments : numba types
        What it takes behind the address of the engine's memory; it returns nothing.

    Attributes
    ----------
    call : numba type
        To be called from compiled code as ``call(address_of(m), ...)``.
    """

    def __init__(self, name: str, *arguments: Any) -> None:
        self.name = name
        self.signature = types.void(types.voidptr, *arguments)
        self.call = types.ExternalFunction(name, self.signature)
        self._stands_in = False

    def __call__(self, function: Any) -> Any:
        """Compile a function as this unit (a decorator), or load it from the cache; leave it alone where it stands in."""
        if self._stands_in:
            return function
        entry = cfunc(self.signature, cache=True, **ENTRY_OPTIONS)(function)
        llvmlite.binding.add_symbol(self.name, entry.address)
        UNITS[self.name] = entry
        keep_text(self.name, entry)
        return entry

    def stand_in(self) -> None:
        """Give the name an address at which nothing may be called, so that what calls it can be compiled alone."""
        self._stands_in = True
        llvmlite.binding.add_symbol(self.name, 1)
