"""Limits that every driver keeps."""

from __future__ import annotations

import pytest

from instrument.audio.driver import DeviceError, check_block, check_rate


@pytest.mark.parametrize("rate", [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0])
def test_usual_rates_pass(rate: float) -> None:
    assert check_rate(rate) == rate


@pytest.mark.parametrize("rate", [0.0, -48_000.0, 44_099.0, 192_001.0, float("nan"), float("inf")])
def test_other_rates_are_one_sentence_with_the_bounds(rate: float) -> None:
    with pytest.raises(DeviceError, match="44100 to 192000"):
        check_rate(rate)


@pytest.mark.parametrize("block", [16, 17, 64, 480, 2048])
def test_blocks_between_the_bounds_pass(block: int) -> None:
    assert check_block(block) == block


@pytest.mark.parametrize("block", [0, -64, 15, 2049])
def test_other_blocks_are_one_sentence_with_the_bounds(block: int) -> None:
    with pytest.raises(DeviceError, match="16 to 2048"):
        check_block(block)
