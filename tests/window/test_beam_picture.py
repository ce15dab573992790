"""The picture inside the window: its place, and what the keys for it do."""

import numpy as np
import pygame
import pytest

from instrument.beam.look import Look
from instrument.window.beam_picture import Picture


@pytest.mark.parametrize("room", [(320, 300), (1280, 770), (600, 1000), (3, 3)])
@pytest.mark.parametrize("shape", ["square", "5:4"])
def test_it_lies_in_the_middle_of_its_room_and_fills_it(room: tuple[int, int], shape: str) -> None:
    picture = Picture(pygame.Rect((0, 0), room), 48_000.0, Look().with_setting("glass", shape))
    wide = max(room[0], 16), max(room[1], 16)
    assert picture.area.width in {wide[0], wide[0] - 1} or picture.area.height == wide[1]
    assert abs(picture.area.centerx - wide[0] // 2) <= 1
    assert picture.area.top >= 0


def test_changes_are_drawn_where_they_are() -> None:
    picture, target = Picture(pygame.Rect(0, 0, 400, 300), 48_000.0), pygame.Surface((400, 300))
    picture.draw_all(target)
    picture.follow(np.full((4800, 2), (0.5, 0.5), np.float32), 0.1)
    changed = picture.draw_changes(target)
    assert changed is not None
    green = pygame.surfarray.array3d(target)[:, :, 1]
    x, y = np.unravel_index(green.argmax(), green.shape)
    assert changed.collidepoint(int(x), int(y))
    assert x - 200 == pytest.approx(0.5 * 150 / 1.06, abs=3)
    assert 150 - y == pytest.approx(0.5 * 150 / 1.06, abs=3)


def test_light_fades_while_no_samples_come() -> None:
    picture, target = Picture(pygame.Rect(0, 0, 100, 100), 48_000.0), pygame.Surface((100, 100))
    picture.follow(np.zeros((4800, 2), np.float32), 0.1)
    picture.draw_all(target)
    picture.follow(np.empty((0, 2), np.float32), 60.0)
    picture.draw_changes(target)
    assert not pygame.surfarray.array3d(target).any()
    assert picture.draw_changes(target) is None
