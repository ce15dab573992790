"""Every still is what it was when somebody last looked at it; `tools/factory/make_stills.py` makes them anew."""

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from tools.factory import make_stills
from tools.factory.make_stills import FOLDER, SHEET, STILLS, Still, alike, take


def kept(name: str) -> npt.NDArray[np.int64]:
    return np.asarray(Image.open(FOLDER / f"{name}.png").convert("RGB"), np.int64)


@pytest.mark.parametrize("wanted", STILLS, ids=lambda each: each.name)
def test_a_still_looks_as_it_did(wanted: Still) -> None:
    found = take(wanted).astype(np.int64)
    assert found.shape == kept(wanted.name).shape
    assert alike(found, kept(wanted.name))


def test_every_picture_kept_has_a_still_and_the_sheet_shows_them_all() -> None:
    assert sorted(path.stem for path in FOLDER.glob("*.png")) == sorted(each.name for each in STILLS)
    assert len({each.name for each in STILLS}) >= 12
    sheet = np.asarray(Image.open(SHEET).convert("RGB"), np.int64)
    assert np.abs(sheet - np.asarray(make_stills.contact_sheet(), np.int64)).mean() < 3


@pytest.mark.parametrize(
    ("one", "other"),
    [("square-direct", "square-coupled"), ("knot", "knot-mirrored"), ("circle", "circle-8khz")],
)
def test_the_comparison_sees_another_picture(one: str, other: str) -> None:
    # Even the circle at 8 kHz, a seventh of a pixel smaller for being made of chords.
    assert not alike(kept(one), kept(other))
