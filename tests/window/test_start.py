"""The window starts without the engine's render code, and says nothing on the way."""

import subprocess
import sys


def test_the_window_never_loads_what_it_would_have_to_compile() -> None:
    program = "import sys, instrument.window.app; print('\\n'.join(m for m in sys.modules if 'instrument' in m))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "instrument.engine.memory.layout" in loaded
    assert not loaded & {
        "instrument.engine.signal.render",
        "instrument.engine.engine",
    }


def test_standard_output_belongs_to_the_conversation() -> None:
    done = subprocess.run([sys.executable, "-m", "instrument.window"], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stdout == ""
