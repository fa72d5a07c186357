"""Takes a package from the wire to the disk in pieces; it is never whole in memory."""

from __future__ import annotations

import asyncio
import errno
import hashlib
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from fastapi import Request
from fastapi.concurrency import run_in_threadpool
from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.requests import ClientDisconnect

from dfmcheck.report.text import plain
from dfmcheck.service.folder import DataFolder, open_private
from dfmcheck.service.refusal import Refusal
from dfmcheck.service.settings import MB

FILE_FIELD = "package"
_FIELDS, _FIELD_BYTES, _HEAD_BYTES, _NAME = 60, 4000, 4000, 120
_BLOCK = 1 << 20


@dataclass(slots=True)
class Upload:
    """A package on disk, synced, and the form's other fields in the order they came."""

    path: Path
    name: str
    size: int
    digest: str
    fields: dict[str, list[str]]


def shown_name(text: str) -> str:
    """What a client calls its package, made fit to show; it never names anything on disk.

    Examples
    --------
    >>> shown_name("C:\\\\jobs\\\\board 7.zip"), shown_name("../../etc/passwd"), shown_name("..")
    ('board 7.zip', 'passwd', 'package')
    """
    name = plain(text.replace("\\", "/").rpartition("/")[2]).strip()[-_NAME:]
    return name if name.strip(". ") else "package"


@dataclass(slots=True)
class _Form:
    """Collects what the parser calls back; file bytes wait in ``block`` to be written."""

    block: bytearray = field(default_factory=bytearray)
    fields: dict[str, list[str]] = field(default_factory=dict)
    file_name: str | None = None
    ended: bool = False
    _header: bytearray = field(default_factory=bytearray)
    _value: bytearray = field(default_factory=bytearray)
    _disposition: bytes = b""
    _name: str = ""
    _text: bytearray | None = None
    _count: int = 0

    def part_begin(self) -> None:
        self._count += 1
        if self._count > _FIELDS:
            raise Refusal(400, f"the form has more than {_FIELDS} fields")
        self._disposition = b""

    def header_field(self, data: bytes, start: int, end: int) -> None:
        self._header += data[start:end]
        self._bounded()

    def header_value(self, data: bytes, start: int, end: int) -> None:
        self._value += data[start:end]
        self._bounded()

    def _bounded(self) -> None:
        if len(self._header) + len(self._value) > _HEAD_BYTES:
            raise Refusal(400, f"a field of the form is described in more than {_HEAD_BYTES} bytes")

    def header_end(self) -> None:
        if self._header.lower() == b"content-disposition":
            self._disposition = bytes(self._value)
        self._header, self._value = bytearray(), bytearray()

    def headers_finished(self) -> None:
        _, options = parse_options_header(self._disposition)
        self._name = options.get(b"name", b"").decode("utf-8", "replace")
        if self._name == FILE_FIELD:
            if self.file_name is not None:
                raise Refusal(400, "the form holds more than one package; send one at a time")
            if b"filename" not in options:
                raise Refusal(422, "'package' is plain text in the form; send it as a file")
            self.file_name = options[b"filename"].decode("utf-8", "replace")
            self._text = None
        else:
            self._text = bytearray()

    def part_data(self, data: bytes, start: int, end: int) -> None:
        if self._text is None:
            self.block += data[start:end]
            return
        self._text += data[start:end]
        if len(self._text) > _FIELD_BYTES:
            raise Refusal(400, f"a field of the form is longer than {_FIELD_BYTES} bytes")

    def part_end(self) -> None:
        if self._text is not None:
            text = self._text.decode("utf-8", "replace")
            self.fields.setdefault(self._name, []).append(text)
        self._text = None

    def end(self) -> None:
        self.ended = True


def _parser(request: Request, form: _Form) -> MultipartParser:
    kind, options = parse_options_header(request.headers.get("content-type", ""))
    boundary = options.get(b"boundary")
    if kind != b"multipart/form-data" or not boundary:
        raise Refusal(
            415, "the body is no form with a file; send multipart/form-data with the file in a "
            "field called 'package'",
        )  # fmt: skip
    return MultipartParser(
        boundary,
        {
            "on_part_begin": form.part_begin,
            "on_header_field": form.header_field,
            "on_header_value": form.header_value,
            "on_header_end": form.header_end,
            "on_headers_finished": form.headers_finished,
            "on_part_data": form.part_data,
            "on_part_end": form.part_end,
            "on_end": form.end,
        },
    )


def too_large(limit: int) -> Refusal:
    """The answer to an upload above the client's limit."""
    return Refusal(
        413, f"the package is larger than the {limit / MB:g} MB allowed; send only the folder with "
        "the fabrication data, packed as zip",
    )  # fmt: skip


def no_space() -> Refusal:
    """The answer while the disk is full."""
    return Refusal(507, "the service has no disk space left for packages; try later", retry_s=300)


async def receive(
    request: Request, folder: DataFolder, *, limit: int, time_s: float, min_free: int
) -> Upload:
    """Read a form to the disk.

    Parameters
    ----------
    limit : int
        Most bytes the package may have.
    time_s : float
        Longest the upload may take.
    min_free : int
        Disk space that must stay free, bytes.

    Raises
    ------
    Refusal
        400, 408, 413, 415, 422 or 507; nothing is left on the disk then, nor if the client goes.
    """
    form = _Form()
    parser = _parser(request, form)
    announced = _announced(request.headers)
    # A form's own overhead is small; the file itself is counted below.
    if announced > limit + _FIELDS * (_FIELD_BYTES + 1000):
        raise too_large(limit)
    # Without an announcement room for the largest is asked for.
    if await run_in_threadpool(folder.free_bytes) < min_free + (announced or limit):
        raise no_space()

    def room() -> bool:  # other uploads take it as well
        return folder.free_bytes() >= min_free

    path = folder.incoming()
    file = await run_in_threadpool(open_private, path)
    try:
        try:
            async with asyncio.timeout(time_s):
                size, digest = await _to_disk(request, parser, form, file, limit, room)
        finally:
            await run_in_threadpool(file.close)
    except BaseException as error:
        path.unlink(missing_ok=True)
        if isinstance(error, TimeoutError):
            raise Refusal(408, f"the upload took longer than {time_s:g} s") from error
        if isinstance(error, ClientDisconnect):
            raise Refusal(400, "the connection ended before the package did") from error
        if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise no_space() from error
        raise
    return Upload(path, shown_name(form.file_name or ""), size, digest, form.fields)


async def _to_disk(
    request: Request,
    parser: MultipartParser,
    form: _Form,
    file: BinaryIO,
    limit: int,
    room: Callable[[], bool],
) -> tuple[int, str]:
    size, digest = 0, hashlib.sha256()

    def write() -> None:
        if not room():
            raise no_space()
        digest.update(form.block)
        file.write(form.block)
        form.block.clear()

    async for chunk in request.stream():
        try:
            parser.write(chunk)
        except MultipartParseError as error:
            raise Refusal(400, "the form is damaged; send it again") from error
        if size + len(form.block) > limit:
            raise too_large(limit)
        if len(form.block) >= _BLOCK:
            size += len(form.block)
            await run_in_threadpool(write)
    if not form.ended:
        raise Refusal(400, "the form ends too early; send it again")
    if form.file_name is None:
        raise Refusal(422, "the form holds no file; send it in a field called 'package'")
    size += len(form.block)

    def finish() -> None:
        write()
        file.flush()
        os.fsync(file.fileno())

    await run_in_threadpool(finish)
    if size == 0:
        raise Refusal(422, "the package is empty; choose a file that holds fabrication data")
    return size, digest.hexdigest()


def _announced(headers: Mapping[str, str]) -> int:
    text = headers.get("content-length", "")
    return int(text) if text.isascii() and text.isdigit() else 0
