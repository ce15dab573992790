"""A show recorded on a real sound server: the take is what left the ports, and renders again bit for bit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
import soundfile

from instrument.takes.take_folder import read_metadata
from tests.show.playing import LEVELS, Playing
from tools.trials.stand_ins import jack_server
from tools.trials.take_trial import again, live

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("JACK")]


def is_as_it_must_be(found: dict[str, Any]) -> None:
    assert found["again"].startswith("the same bytes as the recording")
    assert found["kept_again"].startswith("the same bytes as the recording")
    assert found["lost_frames"] == 0
    assert found["begins_at"] > 0
    # A period that the server misses is given out twice, or is not heard at all, and the one after it may be late as well;
    # nor is one heard for which nobody listened.
    assert found["unlike_periods"] <= 3 * found["xruns"] + found["missed"]
    periods = found["seconds"] * read_metadata(found["take"]).rate / 64
    assert found["same_periods"] > 0.5 * (periods - found["missed"])


@pytest.mark.realtime
def test_at_48_khz_with_notes_knobs_typed_numbers_recalls_and_a_reload(jack: str, tmp_path: Path) -> None:
    found = live(jack, 48_000, tmp_path, 4.0)
    is_as_it_must_be(found)
    assert min(found[what] for what in ("notes", "knobs", "typed", "recalls", "reloads")) >= 1


@pytest.mark.realtime
def test_at_192_khz(tmp_path: Path) -> None:
    with jack_server(192_000, 64) as server:
        is_as_it_must_be(live(server, 192_000, tmp_path, 2.0, seed=2))


def test_a_take_of_the_whole_show_begins_with_its_first_sample(tmp_path: Path) -> None:
    path = tmp_path / "levels.toml"
    path.write_text(LEVELS)
    with Playing([path], audio="off", record=str(tmp_path / "takes"), seconds=1.0) as show:
        show.engine()
        assert show.process.wait(60) == 0
    (take,) = (tmp_path / "takes").iterdir()
    assert take.name.endswith("_levels")
    metadata = read_metadata(take)
    assert metadata.begins_at == 0
    assert metadata.frames == soundfile.info(take / "sound.wav").frames >= 0.9 * 48_000
    assert again(take).startswith("the same bytes as the recording")
    assert any("recording into" in line for line in show.said)
