"""Write the reference of the patch language into patches/README.md: python3 tools/factory/make_reference.py."""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from instrument.patch.reference import with_reference  # noqa: E402 - the package is found above

GUIDE = ROOT / "patches" / "README.md"


if __name__ == "__main__":
    GUIDE.write_text(with_reference(GUIDE.read_text(encoding="utf-8")), encoding="utf-8")
