"""Take the pictures of the desk that the documents show, from a real show on a virtual screen: `python tools/factory/make_desk.py`."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image

from tools.trials.known_environment import enter_known_environment
from tools.trials.screen_pixels import pixels_of
from tools.trials.stand_ins import jack_server, screen

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "patches" / "gallery"
SIZE = (1024, 768)
PAGES = {
    "layers": ("lighthouse", "ctrl+1", 6.0),
    "motion": ("buoy", "ctrl+2", 3.0),
    "patches": ("quay", "ctrl+4", 60.0),
}
"""Pages by the patch that plays, the key that turns to them, and the seconds after which all small pictures are there."""

LIGHT = 60
ENOUGH = 2000
"""So many pixels brighter than `LIGHT` show that the window is there."""

PATIENCE = 180.0


def take(page: str, patch: str, key: str, seconds: float) -> None:
    """Play a patch of the set on a virtual screen, turn to a page, and keep what is seen."""
    paths = sorted((ROOT / "patches").glob("*.toml"), key=lambda path: (path.stem != patch, path.stem))
    with tempfile.TemporaryDirectory() as name, screen(f"{SIZE[0]}x{SIZE[1]}", Path(name)) as display:
        seen = Path(name) / "Xvfb_screen0"
        environment = {**os.environ, "DISPLAY": display}
        environment |= {f"XDG_{kind}_HOME": name for kind in ("CONFIG", "STATE", "DATA")}
        command = [sys.executable, "-m", "instrument.cli", "play", *map(str, paths)]
        show = subprocess.Popen(command, env=environment)
        try:
            began = time.monotonic()
            while np.count_nonzero(pixels_of(seen) > LIGHT) < ENOUGH:
                if show.poll() is not None or time.monotonic() > began + PATIENCE:
                    raise SystemExit("the show ended, or had no window")
                time.sleep(0.2)
            for words in (["mousemove", "300", "700"], ["key", "Escape", key]):
                subprocess.run(["xdotool", *words], env=environment, check=True)
            time.sleep(seconds)
            Image.fromarray(np.ascontiguousarray(pixels_of(seen))).save(FOLDER / f"desk_{page}.png", optimize=True)
            print(f"desk_{page}.png")
        finally:
            show.terminate()
            show.wait(30)


def main() -> None:
    """Take all of them."""
    enter_known_environment()
    with jack_server(48_000, 256):
        for page, (patch, key, seconds) in PAGES.items():
            take(page, patch, key, seconds)


if __name__ == "__main__":
    main()
