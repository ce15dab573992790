"""Machine code of the loops outside the engine is found again by every process."""

import subprocess
import sys

import pytest

from instrument.common.compiled_loops import kernels_folder

KERNELS = ("beam.deposit:deposit", "beam.develop:develop", "measure.flashes:changes")


@pytest.mark.parametrize("first", ["", "instrument.engine.compiling.compiled"])
def test_what_was_imported_before_does_not_change_where_it_is_kept(first: str) -> None:
    script = "import importlib, sys\nif sys.argv[1]: importlib.import_module(sys.argv[1])\n"
    script += "for name in sys.argv[2:]:\n    module, function = name.split(':')\n"
    script += "    loop = getattr(importlib.import_module('instrument.' + module), function)\n"
    script += "    print(loop.stats.cache_path)\n"
    asked = subprocess.run([sys.executable, "-c", script, first, *KERNELS], capture_output=True, text=True, check=True)
    assert len(asked.stdout.split("\n")) == len(KERNELS) + 1
    assert all(line.startswith(str(kernels_folder())) for line in asked.stdout.split())
