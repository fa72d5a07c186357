"""Tells the format of a file from its content. The name is not looked at.

Only the first 64 kB are examined. Formats are recognised by what their standards require:
Gerber Layer Format Specification 4.1 (extended commands), IPC-NC-349 (drill and rout),
IPC-D-356 (netlist records), Gerber Job Format Specification (JSON keys).
"""

from __future__ import annotations

import re
import tarfile

HEAD = 65536
_LINE = 500

_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"%PDF-", "pdf"),
    (b"%!PS", "pdf"),
    (b"\x89PNG\r\n\x1a\n", "image"),
    (b"\xff\xd8\xff", "image"),
    (b"GIF8", "image"),
    (b"II*\x00", "image"),
    (b"MM\x00*", "image"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "office"),
    (b"{\\rtf", "office"),
    (b"PK\x03\x04", "archive"),
    (b"PK\x05\x06", "archive"),
    (b"\x1f\x8b", "archive"),
    (b"BZh", "archive"),
    (b"\xfd7zXZ\x00", "archive"),
    (b"7z\xbc\xaf\x27\x1c", "archive"),
    (b"Rar!\x1a\x07", "archive"),
    (b"ISO-10303-21", "model"),
    (b"AC10", "model"),
)
_OFFICE_MEMBERS = (b"[Content_Types].xml", b"mimetypeapplication/vnd.oasis")

_GERBER_STRONG = re.compile(
    rb"%FS[LTD]?[AI]|%MO(?:MM|IN)\*|%ADD\d+[A-Za-z_.$]|%TF\.?\w|%AM[^\n*%]+\*"
)
_GERBER_WEAK = re.compile(
    rb"(?:[XY][+-]?\d+){1,2}(?:[IJ][+-]?\d+)*(?:D0?[123])?\*|G0?4[^*]{0,300}\*|D\d+\*"
)
_JOB_GERBER = re.compile(rb"TF\.FileFunction,JobInfo", re.I)
_JOB_JSON = re.compile(rb'"(?:FilesAttributes|GeneralSpecs|MaterialStackup)"\s*:')

_DRILL_LINE = re.compile(
    rb"\s*(?:M\d\d.*|%|;.*|T\d+(?:[CFSBHZ][\d.+-]*)*|(?:G\d\d)?(?:[XYIJA][+-]?(?:\d++\.?\d*+|\.\d++))+"
    rb"(?:G85(?:[XY][+-]?[\d.]+)+)?|G\d\d|R\d+.*|F\d*|(?:INCH|METRIC|FMAT|ICI|VER|DETECT|ATC)\b.*)\s*"
)
_DRILL_HEADER = re.compile(rb"(?m)^\s*M48\b")
_DRILL_HIT = re.compile(rb"(?m)^[ \t]*(?:G\d\d)?[XY][+-]?\.?\d[^*\n]*+$")
_DRILL_TOOL = re.compile(rb"(?m)^[ \t]*T\d+")

_NETLIST_RECORD = re.compile(rb"(?m)^(?:[013][1-7]7|3[1-9]7|C  |P  )")
_NETLIST_FEATURE = re.compile(rb"(?m)^(?:3[12]7\S.{2,}[XA]|P  (?:UNITS|VER|JOB|CODE) )")

_APERTURE_LINE = re.compile(
    rb"(?i)\s*D\d{2,4}[\s,:]+(?:ROUND(?:ED)?|CIRCLE|CIRC|RECT\w*|SQUARE|OVAL|OBLONG|OCT\w*|THERMAL|RELIEF"
    rb"|POLY\w*|DONUT|FINGER|TARGET|ROUNDRECT|\w+RECT\w*|[ROC])\b"
)
_LISTING = re.compile(
    rb"(?i)NC ?(?:DRILL|ROUTE) ?(?:LOG|FILE REPORT|REPORT)|ARTWORK LOG|LAYER PAIRS?\b|DRILLFILE="
    rb"|DRILL (?:FILE )?REPORT|DRILL (?:CHART|TABLE|LIST)|HOLE (?:SIZE|COUNT)"
    rb"|INTEGER-PLACES|DEVICE-TYPE|OUTPUT-UNITS|RULEKIND=|USED DCODES"
    rb"|TOOL[ \t]{1,40}(?:HOLE ?)?SIZE|(?m:^[ \t]*GENERATING[ \t]*: )"
    rb"|(?m:^[ \t]*FILE[ \t]*NAME[ \t]*=)"
)


def looks_archived(data: bytes) -> bool:
    """Whether the content is a zip, tar, gzip, bzip2, xz, 7z or rar archive to be opened."""
    return _by_magic(data[:4096]) == "archive" or is_tar(data[:512])


def _by_magic(head: bytes) -> str:
    """Format by the first bytes alone; "" where they tell nothing."""
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            if kind == "archive" and any(m in head for m in _OFFICE_MEMBERS):
                return "office"
            return kind
    return ""


def is_tar(block: bytes) -> bool:
    """Whether 512 bytes are a tar header with a right checksum.

    The end mark of a tar is 1024 bytes of nought (POSIX pax): a tar of nothing else, and a lost
    file of noughts, are alike, and neither is opened.
    """
    if len(block) < 512:
        return False
    try:
        tarfile.TarInfo.frombuf(block[:512], "utf-8", "surrogateescape")
    except tarfile.HeaderError:
        return False
    return True


_HIGH = bytes(range(128, 256))


def _is_text(head: bytes) -> bool:
    if b"\x00" in head:
        return False
    high = len(head) - len(head.translate(None, _HIGH))
    if high * 3 > len(head) and not _is_utf8(head):
        return False  # a few letters of another alphabet are text, and little else is not
    control = sum(head.count(bytes([c])) for c in range(32) if c not in (8, 9, 10, 12, 13, 26, 27))
    return control * 50 <= len(head)


def _is_utf8(head: bytes) -> bool:
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        return error.end == len(head) and error.reason == "unexpected end of data"
    return True


def text_head(data: bytes) -> str:
    """The first 64 kB as text, without blank lines and line-end blanks; never raises.

    Where lines are very long they are broken behind ``*`` and cut, so that no pattern laid
    over the text can take more than a moment.

    Examples
    --------
    >>> text_head(b"M48\\r\\nINCH\\r\\n")
    'M48\\nINCH'
    """
    head = data[:HEAD]
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = head[: len(head) // 2 * 2].decode("utf-16", "replace")
    else:
        text = head.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace")
    lines = text.replace("\r", "\n").split("\n")
    if max(map(len, lines)) > _LINE:
        pieces = (piece for line in lines for piece in line.replace("*", "*\n").split("\n"))
        lines = [piece[:_LINE] for piece in pieces]
    return "\n".join(filter(None, map(str.rstrip, lines)))


def sniff(data: bytes) -> str:
    """Format of a file from its first 64 kB.

    Parameters
    ----------
    data : bytes
        The whole file or its beginning.

    Returns
    -------
    str
        One of the formats named in :class:`~dfmcheck.intake.package.PackageFile`.

    Examples
    --------
    >>> sniff(b"%FSLAX36Y36*%\\n%MOMM*%\\nM02*\\n")
    'gerber'
    >>> sniff(b"M48\\nMETRIC,TZ\\nT1C0.3\\n%\\nT1\\nX1.0Y2.0\\nM30\\n")
    'excellon'
    >>> sniff(b"")
    'empty'
    """
    head = data[:HEAD]
    if not head.strip():
        return "empty"
    if kind := _by_magic(head[:4096]):
        return kind
    if head.startswith(b"BM") and b"\x00" in head[:32]:
        return "image"
    if is_tar(head[:512]):
        return "archive"
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        head = text_head(data).encode()
    if not _is_text(head):
        return "binary"
    head = head.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return _sniff_text(head)


def _sniff_text(head: bytes) -> str:
    start = head.lstrip()[:400]
    if start.startswith(b"{"):
        return "job" if _JOB_JSON.search(head) else "text"
    if start.startswith(b"<"):
        return "markup"
    if re.match(rb"0\s+SECTION\b", start):
        return "model"
    if re.match(rb"IN;|\x1b|(?:PG;|SP\d)", start):
        return "plot"
    if _GERBER_STRONG.search(head):
        return "job" if _JOB_GERBER.search(head) else "gerber"
    lines = [line for line in head.split(b"\n")[:400] if line.strip()]
    if len(head) == HEAD and len(lines) > 1:
        lines.pop()  # perhaps cut in the middle
    drill = sum(_DRILL_LINE.fullmatch(line[:_LINE]) is not None for line in lines)
    if _DRILL_HEADER.search(head[:4096]) and drill * 2 > len(lines):
        return "excellon"
    netlist = len(_NETLIST_RECORD.findall(head))
    if _NETLIST_FEATURE.search(head) and netlist * 2 > len(lines):
        return "ipc-d-356"
    # Statements of a Gerber file end in '*': so much of the text that little else remains.
    if re.search(rb"D0?[123]\*", head):
        covered = sum(len(m) for m in _GERBER_WEAK.findall(head))
        if covered * 2 > len(head.replace(b"\n", b"")):
            return "gerber"
    if drill * 10 >= len(lines) * 8 and _DRILL_TOOL.search(head) and _DRILL_HIT.search(head):
        return "excellon"
    apertures = sum(_APERTURE_LINE.match(line[:_LINE]) is not None for line in lines)
    if apertures * 2 > len(lines):
        return "apertures"
    return "listing" if _LISTING.search(head) else "text"
