"""The commands as they are typed: what they print, what they write and the status they end with."""

import json
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from instrument import __version__
from instrument.patch.factory import factory_folder, performance_of
from tests.commands import beamhand

PATCH = factory_folder() / "buoy.toml"


def refused(*arguments: str | Path) -> str:
    """What a command says that is expected to fail."""
    run = beamhand(*arguments)
    assert run.returncode == 1, run.stderr
    assert "Traceback" not in run.stderr
    return run.stderr


def test_the_version_is_printed() -> None:
    assert beamhand("--version", alone=True).stdout.strip() == __version__


@pytest.mark.parametrize("arguments", [["render"], ["nonsense"], ["play", "--block", "many"], ["ports", "--no"]])
def test_wrong_usage_ends_with_2(arguments: list[str]) -> None:
    assert beamhand(*arguments).returncode == 2


def test_render_writes_what_was_asked_for(tmp_path: Path) -> None:
    out = tmp_path / "x.wav"
    run = beamhand("render", PATCH, "-o", out, "--rate", "96000", "--seconds", "0.5", "--block", "333")
    assert run.returncode == 0, run.stderr
    info = soundfile.info(out)
    assert (info.samplerate, info.frames, info.channels, info.subtype) == (96000, 48000, 2, "FLOAT")


def test_render_takes_any_number_and_stays_within_full_scale(tmp_path: Path) -> None:
    out = tmp_path / "x.wav"
    run = beamhand(
        "render",
        PATCH,
        "-o",
        out,
        "--seconds",
        "0.2",
        "--set",
        "layer.1.level=1/0",
        "--set",
        "layer.1.pen.key=nan",
    )
    assert run.returncode == 0, run.stderr
    samples, _ = soundfile.read(out)
    assert np.isfinite(samples).all()
    assert np.abs(samples).max() <= 1.0


def test_a_set_parameter_shows_in_the_file(tmp_path: Path) -> None:
    out = tmp_path / "x.wav"
    assert beamhand("render", PATCH, "-o", out, "--seconds", "0.1", "--set", "output.level=0").returncode == 0
    assert not soundfile.read(out)[0].any()


def test_an_unknown_address_gets_the_nearest_one(tmp_path: Path) -> None:
    said = refused("render", PATCH, "-o", tmp_path / "x.wav", "--set", "layer.1.plac.spin.x=1")
    assert "did you mean layer.1.place.spin.x" in said


def test_an_unknown_ending_is_refused(tmp_path: Path) -> None:
    assert "use .flac, .gif, .mkv, .mp4, .png, .wav, .webp" in refused("render", PATCH, "-o", tmp_path / "x.mp3")


def test_a_still_takes_exposure_phosphor_and_look(tmp_path: Path) -> None:
    pictures: list[bytes] = []
    for extra in (
        [],
        ["--exposure", "0.01"],
        ["--phosphor", "P7"],
        ["--look", "mirror=x", "--look", "zoom=0.5"],
    ):
        out = tmp_path / f"{len(pictures)}.png"
        run = beamhand("render", PATCH, "-o", out, "--seconds", "0.3", "--size", "64", *extra)
        assert run.returncode == 0, run.stderr
        pictures.append(out.read_bytes())
    assert len(set(pictures)) == 4


def test_a_sound_file_becomes_a_still(tmp_path: Path) -> None:
    sound, out = tmp_path / "tide.wav", tmp_path / "tide.png"
    turn = np.linspace(0, 200, 8000)
    soundfile.write(sound, 0.5 * np.column_stack((np.cos(turn), np.sin(turn))), 32_000)
    run = beamhand("render", sound, "-o", out, "--exposure", "0.1", "--size", "128")
    assert run.returncode == 0, run.stderr
    assert out.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        (["--look", "miror=x"], "did you mean mirror?"),
        (["--phosphor", "P99"], "known are P1"),
        (["--exposure", "0"], "must be more than 0"),
        (["--exposure", "nan"], "must be more than 0"),
        (["--look", "nowhere.toml"], "nowhere.toml"),
    ],
)
def test_a_look_that_cannot_be_is_one_sentence(tmp_path: Path, extra: list[str], said: str) -> None:
    assert said in refused("render", PATCH, "-o", tmp_path / "x.png", "--seconds", "0.1", *extra)


def test_a_film_of_a_patch_and_one_of_a_sound_file(tmp_path: Path) -> None:
    out, sound = tmp_path / "knot.mp4", tmp_path / "tide.wav"
    small = ["--size", "33", "--fps", "29.97"]
    run = beamhand("render", PATCH, "-o", out, "--seconds", "0.1", *small, "--tag", "title=Low tide")
    assert run.returncode == 0, run.stderr
    assert "no longer draws cleanly on a real tube" in run.stderr
    assert "H.264 takes even numbers only" in run.stderr
    assert b"ftyp" in out.read_bytes()[:16]
    assert b"Low tide" in out.read_bytes()
    soundfile.write(sound, np.zeros((4800, 2)), 48_000)
    run = beamhand("render", sound, "-o", tmp_path / "tide.mkv", *small, "--seconds", "0.05")
    assert run.returncode == 0, run.stderr
    assert "0.05 s at 48000 Hz" in run.stderr
    assert (tmp_path / "tide.mkv").read_bytes().startswith(b"\x1a\x45\xdf\xa3")
    assert "something of this name already" in refused("render", sound, "-o", out)


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        (["--fps", "fast"], "1 to 240 frames a second"),
        (["--size", "5000"], "use --size 16 to 4096"),
        (["--rate", "96001"], "FLAC cannot hold 96001 Hz"),
        (["--seconds", "0"], "there is no sound to make a film of"),
    ],
)
def test_a_film_that_cannot_be_is_one_sentence(tmp_path: Path, extra: list[str], said: str) -> None:
    assert said in refused("render", PATCH, "-o", tmp_path / "x.mkv", *extra)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("extra", [["--rate", "48000"], ["--set", "layer.1.level=0"]])
def test_a_sound_file_takes_nothing_that_belongs_to_a_patch(tmp_path: Path, extra: list[str]) -> None:
    sound = tmp_path / "tide.wav"
    soundfile.write(sound, np.zeros((100, 2)), 48_000)
    assert "has its own rate" in refused("render", sound, "-o", tmp_path / "x.png", *extra)


def test_a_missing_patch_is_one_sentence(tmp_path: Path) -> None:
    assert "nowhere.toml" in refused("render", tmp_path / "nowhere.toml", "-o", tmp_path / "x.wav")
    assert "nowhere.toml" in refused("play", tmp_path / "nowhere.toml", "--audio", "off", "--no-window")


def test_a_device_that_does_not_exist_is_one_sentence() -> None:
    assert "no such device" in refused("play", PATCH, "--audio", "no such device", "--no-window", "--seconds", "0")


def test_play_without_anything_plugged_in_ends_in_time() -> None:
    run = beamhand("play", PATCH, "--audio", "off", "--no-window", "--seconds", "0.3")
    assert run.returncode == 0, run.stderr
    assert "silent clock" in run.stderr


def test_play_alone_performs_the_first_patch_which_leaves_nothing_unsaved(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("nobody")))
    run = beamhand("play", "--audio", "off", "--no-window", "--seconds", "1.2", "--record", tmp_path)
    assert run.returncode == 0, run.stderr
    assert "playing Circle" in run.stderr
    (take,) = tmp_path.iterdir()
    played, performed = (
        [message.bytes() for message in mido.MidiFile(path) if message.type in {"note_on", "control_change"}]
        for path in (take / "performance.mid", performance_of(factory_folder() / "circle.toml"))
    )
    assert played == performed[: len(played)]
    assert len(played) > 5
    assert "unsaved" not in run.stderr  # its knobs have moved, but by nobody's hand


def test_a_file_that_is_no_midi_is_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    path.write_bytes(b"not midi at all")
    assert "x.mid" in refused("render", PATCH, "-o", tmp_path / "x.wav", "--perform", path)


def test_ports_prints_one_json_object() -> None:
    found = json.loads(beamhand("ports", "--json").stdout)
    assert set(found) == {"audio", "midi_in", "midi_out"}
    for device in found["audio"]:
        assert set(device) == {"name", "host", "inputs", "outputs", "rate"}


def test_bench_prints_one_json_object() -> None:
    found = json.loads(beamhand("bench", "--json").stdout)
    wanted = "rate block layers ns_per_sample_per_layer c_ns_per_sample_per_layer ratio_to_c p50_us p999_us period_us"
    assert set(wanted.split()) <= set(found)


def test_a_new_patch_is_good_and_plays(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    assert beamhand("patch", "new", path).returncode == 0
    assert beamhand("patch", "check", path).returncode == 0
    assert beamhand("render", path, "-o", tmp_path / "x.flac", "--seconds", "0.1").returncode == 0


def test_new_never_writes_over_a_patch(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("mine")
    assert "mine.toml" in refused("patch", "new", path)
    assert path.read_text() == "mine"


def test_check_names_every_bad_patch(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text("schema = 1\nlayr = 3\n")
    run = beamhand("patch", "check", PATCH, bad, tmp_path)
    assert run.returncode == 1
    assert f"{PATCH}: good" in run.stderr
    assert "bad.toml, line 2" in run.stderr


def test_check_says_what_blurs_at_its_pitch(tmp_path: Path) -> None:
    path = tmp_path / "star.toml"
    path.write_text('schema = 1\n[[layer]]\nsource = {kind = "path", preset = "star", corners = 500}\n')
    run = beamhand("patch", "check", path)
    assert run.returncode == 0
    assert "so that it blurs" in run.stderr
    assert f"{path}: good" not in run.stderr
    assert f"{path}: good" in beamhand("patch", "check", path, "--rate", "192000").stderr


def test_the_schema_is_json_schema() -> None:
    found = json.loads(beamhand("patch", "schema").stdout)
    assert found["$schema"].startswith("https://json-schema.org/")
    assert "layer" in found["properties"]


def test_a_recorded_show_is_rendered_again_and_said_to_be_the_same(tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    played = beamhand(
        "play",
        PATCH,
        "--audio",
        "off",
        "--no-window",
        "--seconds",
        "0.3",
        "--record",
        takes,
        "--tag",
        "artist=the harbour watch",
    )
    assert played.returncode == 0, played.stderr
    (take,) = takes.iterdir()
    again = beamhand("render", take, "-o", tmp_path / "again.wav")
    assert "the same bytes as the recording" in again.stderr
    assert (tmp_path / "again.wav").read_bytes() == (take / "sound.wav").read_bytes()
    with soundfile.SoundFile(tmp_path / "again.wav") as file:
        assert file.artist == "the harbour watch"
    assert "already; give another name" in refused("render", take, "-o", tmp_path / "again.wav")


def test_a_pack_goes_there_and_back(tmp_path: Path) -> None:
    assert beamhand("patch", "pack", PATCH, "-o", tmp_path / "shared.zip").returncode == 0
    assert beamhand("patch", "unpack", tmp_path / "shared.zip").returncode == 0
    assert (tmp_path / "shared" / PATCH.name).read_bytes() == PATCH.read_bytes()
    assert "already" in refused("patch", "unpack", tmp_path / "shared.zip")
