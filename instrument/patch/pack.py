"""One file for sharing a patch: a zip of its text, its drawings and a performance; opening one runs nothing."""

from __future__ import annotations

import re
import shutil
import stat
import tempfile
import zipfile
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from instrument.common.safe_files import DAMAGE
from instrument.patch.patch_drawings import drawing_files
from instrument.patch.patch_errors import shown
from instrument.patch.patch_file import load_patch

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

MOST_FILES = 4096
LARGEST = 512 << 20
"""Bytes of everything in a pack together, unpacked."""

LARGEST_RATIO = 200
"""Unpacked bytes for each packed one, above which a file is taken for a bomb; deflate cannot exceed 1032 (zlib's
documentation), and text and drawings stay far below."""

SMALL = 1 << 20
"""Bytes up to which nobody minds what a file packs to."""

_PIECE = 1 << 16
_ODD = re.compile(r'[<>:"|?*\\\x00-\x1f\x7f]')
_RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")
"""Names that one system or another takes for a device or for something else than a file."""


class PackError(ValueError):
    """A pack cannot be made or opened; `str` is the sentence to show."""


def pack(patch_path: Path, output: Path, performances: Iterable[Path] = ()) -> list[str]:
    """Put a patch, its drawings and performances into one file.

    Parameters
    ----------
    patch_path : Path
    output : Path
        Must not be there yet.
    performances : iterable of Path
        Standard MIDI Files, or others that go with it.

    Returns
    -------
    list of str
        Names in the pack.

    Raises
    ------
    PackError
        If a drawing is missing or outside the patch's folder, or the pack cannot be written.
    PatchError
        If the patch is refused.
    """
    patch = load_patch(patch_path)
    folder = patch_path.absolute().parent
    names = {patch_path.absolute(): patch_path.name}
    for drawing in drawing_files(patch):
        for file in _files_in(drawing):
            names[file.absolute()] = _name_within(folder, file, patch_path)
    for performance in performances:
        if not performance.is_file():
            raise PackError(f"{performance}: there is no such file; name a performance, which ends in .mid.")
        names[performance.absolute()] = performance.name
    if len(set(names.values())) != len(names):
        raise PackError(f"{patch_path}: two of its files have the same name; rename one.")
    if output.exists() or output.is_symlink():
        raise PackError(f"{output}: there is something of this name already; give the pack another name.")
    part = output.with_name(f".{output.name}.part")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
            for file, name in names.items():
                # Without times and rights: the same files make the same pack.
                entry = zipfile.ZipInfo(name)
                entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
                archive.writestr(entry, file.read_bytes())
        part.rename(output)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise PackError(f"{output}: cannot be written ({error}); name a folder with room for it.") from None
    return list(names.values())


def unpack(source: Path, folder: Path | None = None) -> Path:
    """Open a pack of unknown origin into a folder of its own.

    Parameters
    ----------
    source : Path
    folder : Path, optional
        Must not be there yet; by default beside the pack, named like it.

    Returns
    -------
    Path
        The folder. It appears only when everything is in it.

    Raises
    ------
    PackError
        If a name leads out of the folder, something is no plain file, it would grow too large, or it is damaged.
    """
    target = folder if folder is not None else source.with_suffix("")
    if target == source or target.exists() or target.is_symlink():
        raise PackError(f"{target}: there is something of this name already; give another folder with -o.")
    part = None
    try:
        with zipfile.ZipFile(source) as archive:
            # All names and sizes are checked before the first byte is written, into a folder of a name that nobody can guess;
            # the folder takes its own name when everything is in it.
            entries = _checked(archive, source)
            target.parent.mkdir(parents=True, exist_ok=True)
            part = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
            for entry, name in entries:
                _extract(archive, entry, part.joinpath(*name.parts), source)
        part.chmod(0o755)
        part.rename(target)
    except FileNotFoundError as error:
        raise PackError(f"{error.filename or source}: there is no such file; check the name.") from None
    except DAMAGE as error:
        if isinstance(error, PackError):
            raise
        raise PackError(f"{source}: this is no pack that can be opened ({error}); get it again.") from None
    finally:
        if part is not None and part.exists():
            shutil.rmtree(part, ignore_errors=True)
    return target


def _files_in(path: Path) -> Iterator[Path]:
    if path.is_dir():
        yield from (file for file in sorted(path.iterdir()) if file.is_file())
    elif path.is_file():
        yield path
    else:
        raise PackError(f"{path}: this drawing is not there; restore it, or take it out of the patch.")


def _name_within(folder: Path, file: Path, patch: Path) -> str:
    try:
        return file.resolve().relative_to(folder.resolve()).as_posix()
    except ValueError:
        raise PackError(
            f"{patch}: {file} is outside the patch's folder, and nobody else would find it; "
            "put it beside the patch and name it there."
        ) from None


def _checked(archive: zipfile.ZipFile, source: Path) -> list[tuple[zipfile.ZipInfo, PurePosixPath]]:
    entries = archive.infolist()
    if len(entries) > MOST_FILES:
        raise PackError(f"{source}: the pack holds {len(entries)} files, and at most {MOST_FILES} are taken.")
    found = []
    taken: set[str] = set()
    total = 0
    for entry in entries:
        name = _name_of(entry, source)
        # Some file systems take big and small letters for the same.
        key = str(name).casefold()
        if key in taken or any(str(parent).casefold() in taken for parent in name.parents):
            raise PackError(f"{source}: {shown(entry.filename)} is in the pack twice; nothing was unpacked.")
        if entry.is_dir():
            continue
        taken.add(key)
        total += entry.file_size
        packed = max(entry.compress_size, 1)
        if total > LARGEST or (entry.file_size > SMALL and entry.file_size > LARGEST_RATIO * packed):
            raise PackError(
                f"{source}: {shown(entry.filename)} would grow to {entry.file_size:,} bytes; nothing was unpacked."
            )
        found.append((entry, name))
    if not any(name.suffix == ".toml" for _, name in found):
        raise PackError(f"{source}: there is no patch in it, which would end in .toml; nothing was unpacked.")
    folders = {str(parent).casefold() for _, name in found for parent in name.parents}
    if clash := taken & folders:
        raise PackError(f"{source}: {shown(min(clash))} is a file and a folder; nothing was unpacked.")
    return found


def _name_of(entry: zipfile.ZipInfo, source: Path) -> PurePosixPath:
    # The name as it is stored: zipfile has turned other separators around and cut at a zero byte already.
    stored = entry.orig_filename
    parts = stored.rstrip("/").split("/")
    harmful = (
        not stored
        or stored.startswith("/")
        or any(part in {"", ".", ".."} or part != part.strip(" ") or part.endswith(".") for part in parts)
        or any(_ODD.search(part) or _RESERVED.fullmatch(part) for part in parts)
        or any(len(part.encode(errors="surrogatepass")) > 200 for part in parts)
        or len(parts) > 16
    )
    if harmful:
        raise PackError(f"{source}: {shown(stored)} is no name for a file inside a folder; nothing was unpacked.")
    kind = stat.S_IFMT(entry.external_attr >> 16)
    if kind not in {0, stat.S_IFREG, stat.S_IFDIR}:
        raise PackError(f"{source}: {shown(stored)} is a link or a device; nothing was unpacked.")
    if entry.flag_bits & 1:
        raise PackError(f"{source}: {shown(stored)} is encrypted; ask for a pack without a password.")
    return PurePosixPath(*parts)


def _extract(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, source: Path) -> None:
    # What the directory of the archive says of sizes may be a lie, so they are counted.
    target.parent.mkdir(parents=True, exist_ok=True)
    written = 0
    with archive.open(entry) as packed, target.open("xb") as file:
        while piece := packed.read(_PIECE):
            written += len(piece)
            if written > entry.file_size:
                raise PackError(f"{source}: {shown(entry.filename)} is larger than it says; nothing was unpacked.")
            file.write(piece)
    target.chmod(0o644)
