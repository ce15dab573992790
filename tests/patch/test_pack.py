"""Packs: what a patch needs, in one file; and what a stranger may put into one."""

import io
import stat
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.patch.factory import factory_folder
from instrument.patch.pack import LARGEST, MOST_FILES, PackError, pack, unpack
from instrument.patch.patch_file import load_patch

SQUARE = "v -1 -1 0\nv 1 -1 0\nv 1 1 0\nv -1 1 0\nl 1 2 3 4 1\n"
PATCH = """schema = 1
[[layer]]
[layer.source]
kind = "path"
drawing = "ropes/square.obj"
"""


def made(tmp_path: Path, *entries: tuple[str | zipfile.ZipInfo, bytes], patch: bool = True) -> Path:
    """A pack as a stranger would make it."""
    path = tmp_path / "stranger.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        if patch:
            archive.writestr("harmless.toml", "schema = 1\n")
        for entry, data in entries:
            archive.writestr(entry, data)
    return path


def refused(source: Path, tmp_path: Path) -> str:
    """The sentence of a pack that is refused, which has left nothing behind."""
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(PackError) as refusal:
        unpack(source, tmp_path / "opened")
    assert sorted(tmp_path.rglob("*")) == before
    return str(refusal.value)


@pytest.fixture
def patch(tmp_path: Path) -> Path:
    (tmp_path / "mine" / "ropes").mkdir(parents=True)
    (tmp_path / "mine" / "ropes" / "square.obj").write_text(SQUARE)
    path = tmp_path / "mine" / "knot.toml"
    path.write_text(PATCH)
    return path


class TestPacking:
    def test_what_comes_out_is_what_went_in(self, patch: Path, tmp_path: Path) -> None:
        tune = tmp_path / "tide.mid"
        tune.write_bytes(b"MThd")
        names = pack(patch, tmp_path / "knot.zip", [tune])
        assert names == ["knot.toml", "ropes/square.obj", "tide.mid"]
        opened = unpack(tmp_path / "knot.zip")
        assert opened == tmp_path / "knot"
        assert (opened / "knot.toml").read_text() == PATCH
        assert (opened / "ropes" / "square.obj").read_text() == SQUARE
        assert (opened / "tide.mid").read_bytes() == b"MThd"
        assert load_patch(opened / "knot.toml").text == PATCH

    @pytest.mark.parametrize("path", sorted(factory_folder().glob("*.toml")), ids=lambda path: path.stem)
    def test_every_factory_patch_can_be_shared(self, path: Path, tmp_path: Path) -> None:
        pack(path, tmp_path / "shared.zip")
        opened = unpack(tmp_path / "shared.zip")
        assert load_patch(opened / path.name).text == path.read_text()

    def test_the_same_files_make_the_same_pack(self, patch: Path, tmp_path: Path) -> None:
        pack(patch, tmp_path / "a.zip")
        (patch.parent / "ropes" / "square.obj").touch()
        pack(patch, tmp_path / "b.zip")
        assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()

    def test_a_numbered_folder_goes_whole(self, patch: Path, tmp_path: Path) -> None:
        patch.write_text(PATCH.replace("ropes/square.obj", "ropes"))
        for k in (1, 2):
            (patch.parent / "ropes" / f"wave_{k}.obj").write_text(SQUARE)
        names = pack(patch, tmp_path / "knot.zip")
        assert {"ropes/wave_1.obj", "ropes/wave_2.obj"} <= set(names)

    def test_a_drawing_elsewhere_is_named(self, patch: Path, tmp_path: Path) -> None:
        (tmp_path / "far.obj").write_text(SQUARE)
        patch.write_text(PATCH.replace("ropes/square.obj", "../far.obj"))
        with pytest.raises(PackError, match=r"far\.obj is outside the patch's folder"):
            pack(patch, tmp_path / "knot.zip")

    def test_a_missing_drawing_is_named(self, patch: Path, tmp_path: Path) -> None:
        (patch.parent / "ropes" / "square.obj").unlink()
        with pytest.raises(PackError, match=r"square\.obj: this drawing is not there"):
            pack(patch, tmp_path / "knot.zip")

    def test_nothing_is_written_over(self, patch: Path, tmp_path: Path) -> None:
        (tmp_path / "knot.zip").write_text("mine")
        with pytest.raises(PackError, match="already"):
            pack(patch, tmp_path / "knot.zip")
        assert (tmp_path / "knot.zip").read_text() == "mine"


class TestStrangers:
    @pytest.mark.parametrize(
        "name",
        [
            "../outside.toml",
            "a/../../outside.toml",
            "/etc/outside.toml",
            "C:/outside.toml",
            "..\\outside.toml",
            "a\\b.toml",
            "./a.toml",
            "a//b.toml",
            " a.toml",
            "a.toml.",
            "nul.toml",
            "a\nb.toml",
            "d/" * 20 + "a.toml",
            "a" * 300 + ".toml",
        ],
    )
    def test_a_name_that_leads_elsewhere_is_refused(self, name: str, tmp_path: Path) -> None:
        said = refused(made(tmp_path, (name, b"schema = 1")), tmp_path)
        assert "is no name for a file inside a folder; nothing was unpacked" in said

    @pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFSOCK])
    def test_links_and_devices_are_refused(self, kind: int, tmp_path: Path) -> None:
        entry = zipfile.ZipInfo("heron.svg")
        entry.external_attr = (kind | 0o777) << 16
        assert "is a link or a device" in refused(made(tmp_path, (entry, b"/etc/passwd")), tmp_path)

    def test_a_bomb_is_refused_before_it_grows(self, tmp_path: Path) -> None:
        source = made(tmp_path, ("bomb.obj", bytes(30 << 20)))
        assert "would grow to 31,457,280 bytes" in refused(source, tmp_path)

    def test_a_size_that_lies_is_noticed(self, tmp_path: Path) -> None:
        source = made(tmp_path, ("bomb.obj", bytes(3 << 20)))
        data = source.read_bytes()
        honest = (3 << 20).to_bytes(4, "little")
        assert data.count(honest) == 2
        source.write_bytes(data.replace(honest, (1000).to_bytes(4, "little")))
        assert "nothing was unpacked" in refused(source, tmp_path) or "get it again" in refused(source, tmp_path)

    def test_too_much_together_is_refused(self, tmp_path: Path) -> None:
        source = made(tmp_path, ("a.obj", b"x"))
        data = bytearray(source.read_bytes())
        # The size in the directory, 24 bytes into an entry (APPNOTE.TXT, 4.3.12).
        at = data.rindex(b"PK\x01\x02")
        data[at + 20 : at + 28] = (LARGEST).to_bytes(4, "little") + (LARGEST + 1).to_bytes(4, "little")
        source.write_bytes(bytes(data))
        assert "would grow to" in refused(source, tmp_path)

    def test_too_many_files_are_refused(self, tmp_path: Path) -> None:
        source = made(tmp_path, *((f"{k}.obj", b"") for k in range(MOST_FILES)))
        assert f"at most {MOST_FILES}" in refused(source, tmp_path)

    @pytest.mark.parametrize("pair", [("a.obj", "A.OBJ"), ("a", "a/b.obj"), ("a/b.obj", "a")])
    def test_names_that_clash_are_refused(self, pair: tuple[str, str], tmp_path: Path) -> None:
        said = refused(made(tmp_path, *((name, b"") for name in pair)), tmp_path)
        assert "nothing was unpacked" in said

    def test_a_pack_without_a_patch_is_refused(self, tmp_path: Path) -> None:
        assert "no patch in it" in refused(made(tmp_path, ("a.obj", b""), patch=False), tmp_path)

    def test_a_damaged_file_is_one_sentence(self, tmp_path: Path) -> None:
        source = made(tmp_path, ("a.obj", b"0123456789" * 100))
        data = bytearray(source.read_bytes())
        data[data.index(b"a.obj") + 10] ^= 0xFF
        source.write_bytes(bytes(data))
        assert "this is no pack that can be opened" in refused(source, tmp_path)

    @given(data=st.binary(max_size=300), at=st.integers(0, 400))
    def test_no_bytes_do_harm(self, data: bytes, at: int, tmp_path_factory: pytest.TempPathFactory) -> None:
        folder = tmp_path_factory.mktemp("pack")
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as archive:
            archive.writestr("a.toml", "schema = 1\n" * 20)
        good = buffer.getvalue()
        (folder / "x.zip").write_bytes(good[:at] + data + good[at + len(data) :])
        try:
            opened = unpack(folder / "x.zip")
        except PackError:
            assert [path.name for path in folder.iterdir()] == ["x.zip"]
        else:
            assert all(path.is_relative_to(opened) for path in opened.rglob("*"))

    def test_rights_are_not_taken_over(self, tmp_path: Path) -> None:
        entry = zipfile.ZipInfo("run.toml")
        entry.external_attr = (stat.S_IFREG | 0o4777) << 16
        opened = unpack(made(tmp_path, (entry, b"schema = 1")))
        assert stat.S_IMODE((opened / "run.toml").stat().st_mode) == 0o644

    def test_a_folder_that_is_there_is_left_alone(self, tmp_path: Path) -> None:
        (tmp_path / "stranger").mkdir()
        with pytest.raises(PackError, match="already; give another folder"):
            unpack(made(tmp_path))

    def test_no_such_pack_is_one_sentence(self, tmp_path: Path) -> None:
        with pytest.raises(PackError, match="there is no such file"):
            unpack(tmp_path / "gone.zip")
