"""Opens folders, archives and single files without trusting them.

Nothing is ever written to disk. Sizes are counted while decompressing, so a header that lies
about its size gains nothing.
"""

from __future__ import annotations

import contextlib
import io
import lzma
import os
import stat
import tarfile
import zipfile
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import IO, cast

from dfmcheck.errors import PackageError
from dfmcheck.intake import limits
from dfmcheck.intake.entry_names import (
    SKIPPED_FOLDERS,
    clean,
    name_allowed,
    report_link,
    report_name,
    report_skipped,
)
from dfmcheck.intake.limits import CHUNK, Contents, check_ratio, too_large
from dfmcheck.intake.sniff import is_tar, looks_archived
from dfmcheck.intake.streams import SmallHeaders, decompressed, packed_name
from dfmcheck.terms import Weight

_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2)
_BROKEN = (
    zipfile.BadZipFile,
    tarfile.TarError,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    OSError,
    NotImplementedError,
    UnicodeError,
    ValueError,
    MemoryError,
)


def unpack(path: Path) -> Contents:
    """Read all files of a folder, archive or single file into memory.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Contents

    Raises
    ------
    PackageError
        The path cannot be opened, holds no file, or is larger than the limits.
    """
    contents = Contents()
    shown = path.name or str(path)
    try:
        if path.is_dir():
            _read_folder(path, contents)
        elif path.is_file():
            data = _read_file(path, contents, shown, follow=True)
            if looks_archived(data):
                _read_archive(data, shown, "", contents, depth=0)
            else:
                contents.add(clean(path.name), data)
        elif path.exists():
            raise PackageError(
                "it is a device or pipe",
                "a folder, zip, tar or single file",
                "Save the data as a file",
                file=clean(path.name),
            )
        else:
            raise PackageError(
                "there is no such file or folder",
                "a folder, zip, tar or single file",
                "Check the path",
                file=str(path),
            )
    except PermissionError as error:
        raise PackageError(
            "it may not be read", "a readable file or folder", "Change its permissions", str(path)
        ) from error
    contents.finish()
    if not contents.files:
        reasons = "; ".join(d.sentence for d in contents.defects[:3])
        raise PackageError(
            "the package holds no file that can be read" + (f" ({reasons})" if reasons else ""),
            "Gerber and drill files",
            "Export the fabrication data again and pack all of it",
            file=shown,
        )
    return contents


def _read_file(path: Path, contents: Contents, shown: str, *, follow: bool = False) -> bytes:
    """The file's bytes; OSError where it is no plain file by the time it is opened.

    It is opened so that neither a pipe nor a link put in its place meanwhile can do harm, and
    read no further than the package may still grow.
    """
    contents.count(shown)
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    file = os.open(path, flags if follow else flags | getattr(os, "O_NOFOLLOW", 0))
    with os.fdopen(file, "rb") as stream:
        state = os.fstat(file)
        if not stat.S_ISREG(state.st_mode):
            raise OSError("it is no file any more")
        if contents.total + state.st_size > limits.MAX_BYTES:
            raise too_large(shown)
        data = stream.read(limits.MAX_BYTES - contents.total + 1)
    contents.grow(len(data), shown)
    return data


def _read_folder(root: Path, contents: Contents) -> None:
    """Every file below ``root``, folder by folder; links are never followed."""
    waiting = [(root, 0)]
    while waiting:
        folder, depth = waiting.pop()
        try:
            with os.scandir(folder) as found:
                entries = []
                for entry in found:
                    contents.count(root.name)
                    entries.append(entry)
        except OSError:
            contents.skip(
                _inside(root, folder),
                "the folder cannot be opened",
                "a readable folder",
                "Change its permissions",
                Weight.QUERY,
            )
            continue
        entries.sort(key=lambda e: e.name)
        inner: list[tuple[Path, int]] = []
        for entry in entries:
            path = folder / entry.name
            inside = _inside(root, path)
            if entry.is_symlink():
                report_link(contents, inside)
            elif entry.is_dir(follow_symlinks=False):
                if entry.name in SKIPPED_FOLDERS:
                    report_skipped(contents, inside)
                elif depth >= limits.MAX_DEPTH:
                    contents.skip(
                        inside[:60] + "…",
                        f"it lies more than {limits.MAX_DEPTH} folders deep and was not opened",
                        "the fabrication data in one folder, or a few",
                        "Put the files further up",
                        Weight.QUERY,
                    )
                else:
                    inner.append((path, depth + 1))
        for entry in entries:
            if not entry.is_symlink() and not entry.is_dir(follow_symlinks=False):
                _read_entry(root, folder / entry.name, contents)
        waiting += reversed(inner)


def _read_entry(root: Path, path: Path, contents: Contents) -> None:
    inside = _inside(root, path)
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            contents.skip(inside, "it is a device or pipe", "a file", "Leave it out", Weight.QUERY)
            return
        contents.entries -= 1  # counted as it was listed
        data = _read_file(path, contents, root.name)
    except OSError as error:
        refused = isinstance(error, PermissionError)
        contents.skip(
            inside,
            "it may not be read" if refused else f"it cannot be read ({error.strerror or error})",
            "a readable file",
            "Change its permissions and screen again" if refused else "Screen a copy of the folder",
            Weight.HOLD,
        )
        return
    report_name(contents, "", path.name)
    _add_or_open(inside, data, contents, depth=0)


def _inside(root: Path, path: Path) -> str:
    return clean(path.relative_to(root).as_posix())


def _add_or_open(name: str, data: bytes, contents: Contents, depth: int) -> None:
    """Take a file as it is, or open it when it is an archive at the first level of nesting."""
    if not looks_archived(data):
        contents.add(name, data)
    elif depth == 0:
        before = contents.so_far
        try:
            _read_archive(data, name, name + "/", contents, depth=1)
        except PackageError as error:
            if contents.full:
                raise
            contents.skip(name, error.found, error.expected, error.action, Weight.QUERY)
        if contents.so_far == before:
            contents.skip(
                name,
                "it is an archive without a file in it",
                "an archive of files",
                "Ask what was to be in it",
                Weight.QUERY,
            )
    else:
        contents.skip(
            name,
            "it is an archive inside an archive inside the package and was not opened",
            "at most one archive inside another",
            "Pack the data flat and send it again",
            Weight.QUERY,
        )


def _read_archive(data: bytes, shown: str, prefix: str, contents: Contents, depth: int) -> None:
    if data.startswith((b"7z\xbc\xaf", b"Rar!")):
        raise PackageError(
            "it is a 7z or rar archive",
            "zip or tar (also .tar.gz, .tar.bz2, .tar.xz)",
            "Pack the data as zip",
            file=shown,
        )
    try:
        if data.startswith(b"PK"):
            _read_zip(data, shown, prefix, contents, depth)
        else:
            _read_tar(data, shown, prefix, contents, depth)
    except PackageError:
        raise
    except _BROKEN as error:
        raise PackageError(
            f"the archive is damaged ({type(error).__name__}: {error})",
            "a whole zip or tar archive",
            "Pack the data again and send it again",
            file=shown,
        ) from error


def _read_zip(data: bytes, shown: str, prefix: str, contents: Contents, depth: int) -> None:
    # counted first, as opening an archive reads the whole of its directory
    if data.count(b"PK\x01\x02") > 2 * limits.MAX_FILES:
        contents.entries = limits.MAX_FILES
        contents.count(shown)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        _check_overlap(archive, shown)
        before = contents.total
        for info in archive.infolist():
            contents.count(shown)
            if info.filename.endswith("/"):
                continue
            name = info.filename
            if not info.flag_bits & 0x800:  # not marked UTF-8, often UTF-8 all the same
                with contextlib.suppress(UnicodeError):
                    name = name.encode("cp437").decode("utf-8")
            if stat.S_ISLNK(info.external_attr >> 16):
                report_link(contents, prefix + clean(name))
                continue
            if not name_allowed(contents, prefix, name):
                continue
            inside = prefix + clean(name)
            if info.flag_bits & 0x1:
                contents.skip(
                    inside,
                    "it is locked with a password",
                    "an open archive",
                    "Pack it again without a password",
                    Weight.HOLD,
                )
                continue
            if info.compress_type not in _METHODS:
                contents.skip(
                    inside,
                    f"it is packed by method {info.compress_type}, which is not opened",
                    "stored or deflated files",
                    "Pack the data again with an ordinary zip program",
                    Weight.HOLD,
                )
                continue
            check_ratio(info.file_size, info.compress_size, shown)
            check_ratio(contents.total + info.file_size - before, len(data), shown)
            if contents.total + info.file_size > limits.MAX_BYTES:
                raise too_large(shown)
            try:
                with archive.open(info) as stream:
                    body = _drain(stream, contents, shown, info.compress_size)
            except _BROKEN as error:
                contents.skip(
                    inside,
                    f"it is damaged inside the archive ({error})",
                    "a whole file",
                    "Pack the data again and send it again",
                    Weight.HOLD,
                )
                continue
            _add_or_open(inside, body, contents, depth)


def _check_overlap(archive: zipfile.ZipFile, shown: str) -> None:
    """PackageError where two entries share packed bytes: one file told many times over."""
    end = 0
    for info in sorted(archive.infolist(), key=lambda i: i.header_offset):
        if info.header_offset < end:
            raise PackageError(
                "entries of the archive overlap, so that it unpacks to more than it holds",
                "every file packed once, one behind the other",
                "Pack the data again with an ordinary zip program; do not open this archive by "
                "hand",
                file=shown,
            )
        end = info.header_offset + 30 + info.compress_size


def _drain(stream: IO[bytes], contents: Contents, shown: str, packed: int) -> bytes:
    parts: list[bytes] = []
    size = 0
    while chunk := stream.read(CHUNK):
        size += len(chunk)
        contents.grow(len(chunk), shown)
        check_ratio(size, packed, shown)
        parts.append(chunk)
    return b"".join(parts)


def _read_tar(data: bytes, shown: str, prefix: str, contents: Contents, depth: int) -> None:
    start = decompressed(data, shown).read(512)
    if not is_tar(start):  # one packed file, not a tar
        contents.count(shown)
        body = _drain(decompressed(data, shown), contents, shown, len(data))
        _add_or_open(prefix + clean(packed_name(shown)), body, contents, depth)
        return
    stream = decompressed(data, shown)
    with tarfile.open(
        fileobj=stream, mode="r|", errors="surrogateescape", tarinfo=SmallHeaders
    ) as archive:
        for member in cast(Iterable[tarfile.TarInfo], archive):
            contents.count(shown)
            archive.members = []  # type: ignore[attr-defined]  # a stream is never gone back in
            if member.isdir():
                continue
            if member.issym() or member.islnk():
                report_link(contents, prefix + clean(member.name))
                continue
            if not member.isfile():
                contents.skip(
                    prefix + clean(member.name),
                    "it is a device or pipe",
                    "a file",
                    "Leave it out",
                    Weight.QUERY,
                )
                continue
            if contents.total + member.size > limits.MAX_BYTES:
                raise too_large(shown)
            if not name_allowed(contents, prefix, member.name):
                continue
            body_stream = archive.extractfile(member)
            if body_stream is None:  # pragma: no cover - isfile() was asked above
                continue
            body = _drain(body_stream, contents, shown, len(data))
            if len(body) < member.size:
                raise EOFError("it ends inside a file")
            _add_or_open(prefix + clean(member.name), body, contents, depth)
