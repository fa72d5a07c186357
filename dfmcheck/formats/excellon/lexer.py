"""Cuts a drill file into rows: plain coordinate rows in bulk, everything else one by one."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from dfmcheck.errors import FormatError
from dfmcheck.formats.excellon.numbers import NumberFormat
from dfmcheck.formats.excellon.statements import Units, parse_statement
from dfmcheck.formats.limits import MOST_LINE, MOST_ROWS, MOST_STATEMENTS, check_size, too_much
from dfmcheck.formats.records import Bools, Floats, Ints

# Longer digit strings are no coordinates; they end up as unknown statements.
# Only one way to match each number, or a long line of words takes time without end.
NUMBER = r"[+-]?(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15})"
# One match per line: a plain row is a move or hit with nothing else on the line.
_ROW = re.compile(rf"^(G0?[01])?(?:X({NUMBER}))?(?:Y({NUMBER}))?([^\n]*)$", re.M)
_UNIT_WORD = re.compile(r"M7[12]\b|INCH|METRIC", re.I)
_GERBER = re.compile(r"%(?:FS|MO|AD|TF|AM|LP|IP|LN)[A-Z.]|^G04.*\*|D0?[123]\*", re.M)
_LIKELY = re.compile(
    r"^(?:[GMRSFNT]\d|[XY][+-]?[\d.]|%|;|M48|INCH|METRIC|FMAT|ICI|VER|DETECT|ATC|\s*$|\(|/)", re.I
)


@dataclass(frozen=True, slots=True)
class Column:
    """One coordinate letter over all rows: NaN in ``values`` where the row has none."""

    values: Floats
    digits: Ints
    pointed: Bools

    @classmethod
    def of(cls, texts: list[str]) -> Column:
        return cls(
            np.array([float(t) if t else np.nan for t in texts], dtype=np.float64),
            np.array([len(t.lstrip("+-")) for t in texts], dtype=np.int32),
            np.array(["." in t for t in texts], dtype=np.bool_),
        )


@dataclass(frozen=True, slots=True)
class Rows:
    """The lines of a file.

    ``gcode`` is "", G00 … G1 of a plain row; ``events`` are the rows that are not plain, in
    order; ``texts`` is the text of every line. ``units`` are rows with a unit statement.
    """

    texts: list[str]
    gcode: list[str]
    x: Column
    y: Column
    events: list[int]
    units: list[tuple[int, Units]]

    def __len__(self) -> int:
        return len(self.texts)

    def columns(self, form: NumberFormat) -> tuple[Floats, Floats]:
        """x and y of the plain rows in mm; the unit follows the unit statements."""
        unit_rows = self.units
        if all(units.unit == form.unit for _, units in unit_rows):
            return (
                form.decode_columns(self.x.values, self.x.digits, self.x.pointed),
                form.decode_columns(self.y.values, self.y.digits, self.y.pointed),
            )
        cuts = [0, *(row for row, _ in unit_rows[1:]), len(self)]
        x, y = np.full(len(self), np.nan), np.full(len(self), np.nan)
        for (_, units), first, last in zip(unit_rows, cuts, cuts[1:], strict=False):
            part = slice(first, last)
            here = form.with_unit(units.unit)
            for column, out in ((self.x, x), (self.y, y)):
                out[part] = here.decode_columns(
                    column.values[part], column.digits[part], column.pointed[part]
                )
        return x, y


def decode_text(data: bytes, file: str) -> str:
    """The file as text with ``\\n`` line ends; FormatError where it is no drill text, or long."""
    check_size(data, file)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16", errors="replace")
    else:
        head = data[:65536]
        if b"\0" in head.rstrip(b"\0").lstrip(b"\0"):
            raise FormatError(
                "binary data", "Excellon or XNC text", "Ask for the drill file as text.", file
            )
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    text = text.strip("\0").replace("\r\n", "\n").replace("\r", "\n")
    if not text.strip():
        raise FormatError("no text at all", "an Excellon or XNC file", "Ask for it again.", file)
    _check_lines(text, file)
    return text


def _check_lines(text: str, file: str) -> None:
    count = text.count("\n") + 1
    if count > MOST_ROWS:
        raise too_much(f"the file has {count:,} lines", f"at most {MOST_ROWS:,}", file)
    if len(text) <= MOST_LINE:
        return
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > MOST_LINE:
            found, most = f"a line of {len(line):,} characters", f"at most {MOST_LINE:,}"
            raise too_much(found, most, file, number)


def check_is_drill(text: str, file: str) -> None:
    """FormatError when the text is plainly something else."""
    lines = [line for line in text.split("\n") if line.strip()]
    sample = lines[:400]
    if _GERBER.search("\n".join(sample)) and not any(s.strip() == "M48" for s in sample):
        raise FormatError(
            "Gerber commands",
            "Excellon or XNC statements",
            "Read the file as Gerber, or ask for the drill data in XNC.",
            file,
        )
    likely = sum(1 for line in sample if _LIKELY.match(line.lstrip()))
    telling = any(
        re.match(r"\s*(?:M48|M95|%|T\d+|[XY][+-]?[\d.]+|G0[05])", s, re.I) for s in sample
    )
    if likely < 0.5 * len(sample) or not telling:
        strange = next((n for n, s in enumerate(lines, 1) if not _LIKELY.match(s.lstrip())), 1)
        raise FormatError(
            f"'{lines[strange - 1].strip()[:40]}'",
            "Excellon or XNC statements (M48, tools, coordinates)",
            "Check what this file is for, or ask for the drill data in XNC.",
            file,
            strange,
        )


def read_rows(text: str, file: str = "") -> Rows:
    """Cut the text into rows, one per line; FormatError where too many are more than plain."""
    found = _ROW.findall(text)
    gcode = [m[0] for m in found]
    plain = [not m[3] and bool(m[1] or m[2]) for m in found]
    x = Column.of([m[1] if ok else "" for m, ok in zip(found, plain, strict=True)])
    y = Column.of([m[2] if ok else "" for m, ok in zip(found, plain, strict=True)])
    events = [i for i, ok in enumerate(plain) if not ok]
    if len(events) > MOST_STATEMENTS:
        raise too_much(
            f"{len(events):,} lines hold more than plain coordinates",
            f"at most {MOST_STATEMENTS:,}",
            file,
            events[MOST_STATEMENTS] + 1,
        )
    texts = text.split("\n")
    units: list[tuple[int, Units]] = []
    for i in events:
        line = texts[i].strip()
        if _UNIT_WORD.match(line):
            statement = parse_statement(line.partition(";")[0].replace(" ", "").upper())
            if isinstance(statement, Units):
                units.append((i, statement))
    return Rows(texts, gcode, x, y, events, units)
