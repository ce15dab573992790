"""Every text of the window is legible in the dark, in both sets of colours."""

import pytest

from instrument.window.theme import DIM, LEAST_CONTRAST, NIGHT, Theme, contrast, written_on


@pytest.mark.parametrize("theme", [NIGHT, DIM], ids=["night", "dim"])
def test_every_text_has_the_contrast_of_level_aaa(theme: Theme) -> None:
    # WCAG 2.2, success criterion 1.4.6, contrast (enhanced).
    assert min(contrast(text, ground) for text, ground in written_on(theme)) >= LEAST_CONTRAST


def test_the_contrast_is_that_of_the_guidelines() -> None:
    # WCAG 2.2, definition of contrast ratio: from 1 for equal colours to 21 for black and white. #767676 on white is
    # the grey that is known for just passing 4.5 to 1 (common practice, no source).
    assert contrast((255, 255, 255), (0, 0, 0)) == pytest.approx(21)
    assert contrast((9, 9, 9), (9, 9, 9)) == 1
    assert 4.5 <= contrast((0x76, 0x76, 0x76), (255, 255, 255)) < 4.6


def test_the_dimmer_colours_are_dimmer() -> None:
    assert contrast(DIM.plain, (0, 0, 0)) < contrast(NIGHT.plain, (0, 0, 0))
