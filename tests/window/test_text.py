"""Letters fit where they are put, in windows from 320 to 2,160 pixels, whatever the words are."""

from collections.abc import Iterator

import pygame
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.window.pages.help import CAUTION, help_page
from instrument.window.stage_and_desk import Figures, TextLine
from instrument.window.theme import sizes_for
from instrument.window.widgets.font import Font

SIZES = [(320, 320), (640, 480), (1280, 800), (1024, 600), (600, 1024), (2160, 2160), (3840, 2160)]
FIGURES = Figures(
    title="Buoy at slack tide",
    device="default",
    levels=(-12, -60),
    load=12,
    underflows=0,
    missed=0,
    midi="control 21 = 64",
    keyboard="C3",
)


@pytest.fixture(scope="module", autouse=True)
def _fonts() -> Iterator[None]:
    pygame.font.init()
    yield
    pygame.font.quit()


def letter_height(size: tuple[int, int]) -> int:
    return sizes_for(*size).em


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=200), st.integers(60, 800))
def test_wrapped_lines_fit_and_lose_nothing(text: str, width: int) -> None:
    font = Font(18)
    lines = font.wrap(text, width)
    assert all(font.width(line) <= width for line in lines)
    printable = "".join(letter for letter in text if letter.isprintable() and not letter.isspace())
    assert "".join("".join(lines).split()) == printable


@pytest.mark.parametrize("size", SIZES)
def test_the_help_page_fits_into_every_window(size: tuple[int, int]) -> None:
    page = help_page(size, letter_height(size))
    assert page.get_width() <= size[0]
    assert page.get_height() <= size[1]


def test_the_help_page_warns_of_flashing_light() -> None:
    assert "photosensitive epilepsy" in CAUTION


@pytest.mark.parametrize("size", SIZES)
def test_the_line_of_text_leaves_most_of_the_window_to_the_picture(size: tuple[int, int]) -> None:
    assert TextLine(Font(letter_height(size)), size[0]).height(FIGURES) < size[1] / 4


@pytest.mark.parametrize("title", ["", "x" * 3000, "two\nlines\0", "Leuchtturm \u00e4\u00f6\u00fc \u706f\u53f0"])
def test_any_title_is_drawn(title: str) -> None:
    target = pygame.Surface((320, 320))
    figures = Figures(title, title, (-12, -60), 1, 2, 3, title, "C3", trouble=title)
    area = TextLine(Font(15), 320).draw(target, figures)
    assert area.bottom == 320
    assert area.width == 320
