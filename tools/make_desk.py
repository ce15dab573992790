"""Take the pictures of the desk that the documents show, from a real show on a virtual screen: `python tools/make_desk.py`."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image
from virtual_studio import screen

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "patches" / "gallery"
SET = ROOT / "patches" / "sets" / "festival.toml"
SIZE = (1024, 768)
PAGES = {"layers": "ctrl+1", "motion": "ctrl+2", "patches": "ctrl+4"}
"""Pages by the key that turns to them."""

LIGHT = 60
ENOUGH = 2000
"""So many pixels brighter than `LIGHT` show that the window is there."""

PATIENCE = 180.0
SETTLING = 4.0
"""Seconds after which a page has all its small pictures."""


def seen(folder: Path) -> Image.Image:
    """Return what is on the screen now, which Xvfb keeps at the end of a file: blue, green, red and nothing."""
    width, height = SIZE
    data = (folder / "Xvfb_screen0").read_bytes()[-4 * width * height :]
    rows = np.frombuffer(data, np.uint8).reshape(height, width, 4)
    return Image.fromarray(np.ascontiguousarray(rows[:, :, 2::-1]))


def main() -> None:
    """Play the set on a virtual screen, turn to each page, and keep what is seen."""
    with tempfile.TemporaryDirectory() as name, screen(f"{SIZE[0]}x{SIZE[1]}", Path(name)) as display:
        folder = Path(name)
        environment = {**os.environ, "DISPLAY": display}
        environment |= {f"XDG_{kind}_HOME": name for kind in ("CONFIG", "STATE", "DATA")}
        environment.pop("SDL_VIDEODRIVER", None)
        words = [str(SET), "--audio", "off", "--midi", "off"]
        show = subprocess.Popen([sys.executable, "-m", "instrument.cli", "play", *words], env=environment)
        try:
            began = time.monotonic()
            while np.count_nonzero(np.asarray(seen(folder)) > LIGHT) < ENOUGH:
                if show.poll() is not None or time.monotonic() > began + PATIENCE:
                    raise SystemExit("the show ended, or had no window")
                time.sleep(0.2)
            for page, key in PAGES.items():
                for words in (["mousemove", "400", "700"], ["key", "Escape", key]):
                    subprocess.run(["xdotool", *words], env=environment, check=True)
                time.sleep(SETTLING)
                seen(folder).save(FOLDER / f"desk_{page}.png", optimize=True)
                print(f"desk_{page}.png")
        finally:
            show.terminate()
            show.wait(30)


if __name__ == "__main__":
    main()
