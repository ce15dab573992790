"""Draw the drawings of the factory set: `python tools/factory/make_drawings.py [FOLDER]`."""

from __future__ import annotations

import sys
from pathlib import Path

from tools.factory import drifting_jellyfish, flying_heron
from tools.factory.brushed_wave import wave
from tools.factory.flat_drawings import FLAT
from tools.factory.painted_keeper import keeper
from tools.factory.painted_town import town
from tools.factory.solid_drawings import SOLIDS
from tools.factory.wading_heron import heron
from tools.factory.wire_drawings import MESHES

FOLDER = Path(__file__).resolve().parents[2] / "patches" / "drawings"

FLIGHT = "flight"
"""The folder of the flip-book."""

PICTURES = {"town.png": town, "keeper.png": keeper, "wave.png": wave}
"""The pictures, by their files."""

MODEL = "wader.glb"
FILM = "jellyfish.mp4"


def texts() -> dict[str, str]:
    """Return every drawing that is a text, by its file."""
    found = {name: make() for name, make in {**MESHES, **SOLIDS, **FLAT}.items()}
    frames = range(1, flying_heron.FRAMES + 1)
    return found | {f"{FLIGHT}/heron_{k:02d}.svg": flying_heron.frame(k) for k in frames}


def main() -> None:
    """Write all of them into a folder."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    (folder / FLIGHT).mkdir(parents=True, exist_ok=True)
    for name, text in texts().items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
        print(folder / name)
    for name, paint in PICTURES.items():
        paint().save(folder / name, optimize=True)
        print(folder / name)
    (folder / MODEL).write_bytes(heron())
    print(folder / MODEL)
    drifting_jellyfish.write(folder / FILM)
    print(folder / FILM)


if __name__ == "__main__":
    main()
