"""Reads IPC-D-356 and IPC-D-356A netlists into columns.

The pattern of a test point is built from ``grammars/ipc356_point.lark``; lines that do not
keep to the columns are read by their letters and reported. Source: IPC-D-356A, record
layout, values from memory.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from dfmcheck.errors import FormatError
from dfmcheck.formats.ipc356.head import Head, grammar
from dfmcheck.formats.ipc356.records import Netlist, Points
from dfmcheck.formats.limits import MOST_RECORDS, check_size, too_much
from dfmcheck.terms import Defect, Weight

_COUNT = {"inch": 0.00254, "mm": 0.001}  # mm
_ORDER = (
    "RECORD", "NET", "GAP", "REF", "DASH", "PIN", "MIDPOINT", "HOLE", "ACCESS", "X", "Y",
    "WIDTH", "HEIGHT", "ROTATION", "SPACE", "MASK",
)  # fmt: skip
_LOOSE = re.compile(
    r"(?P<RECORD>[03][0126]7)(?P<NET>.{14})\s*(?P<REF>[^\s-]*)\s*(?:-\s*(?P<PIN>[^\sA]*))?"
    r"\s+(?P<MIDPOINT>M?)\s*(?P<HOLE>(?:D\s*\d{1,6}[PU]?)?)\s*(?P<ACCESS>A\d{1,3})\s*"
    r"(?P<X>X[-+]?\d{1,9})\s*(?P<Y>Y[-+]?\d{1,9})\s*(?P<WIDTH>(?:X\d{0,6})?)\s*"
    r"(?P<HEIGHT>(?:Y\d{0,6})?)\s*(?P<ROTATION>(?:R\d{0,4})?)\s*(?P<MASK>(?:S[0-3]?)?)(?=\s|$)"
)
_UNUSED = {
    "370": "tooling feature", "378": "conductor", "379": "adjacency of nets",
    "380": "conductor", "389": "edge of board or panel", "390": "other feature",
}  # fmt: skip
_CODE = re.compile(r"[03]\d\d")
_LISTED = 5
_LONGEST = 200  # characters of a record; longer ones are no records


@cache
def _pattern() -> re.Pattern[str]:
    terminals = {t.name: t.pattern.to_regexp() for t in grammar("point").terminals}
    return re.compile("".join(f"(?P<{name}>{terminals[name]})" for name in _ORDER))


@dataclass(slots=True)
class _Rows:
    """Texts of the points' fields, column by column."""

    record: list[int] = field(default_factory=list)
    net: list[str] = field(default_factory=list)
    pin: list[tuple[str, str]] = field(default_factory=list)
    midpoint: list[bool] = field(default_factory=list)
    plating: list[str] = field(default_factory=list)
    numbers: list[tuple[float, ...]] = field(default_factory=list)
    line: list[int] = field(default_factory=list)

    def add(self, found: re.Match[str], line: int) -> None:
        """Take one match; ValueError where a number has blanks among its digits."""
        record, net, ref, pin, midpoint, hole, access, x, y, width, height, rotation, mask = (
            found.group(
                "RECORD", "NET", "REF", "PIN", "MIDPOINT", "HOLE", "ACCESS", "X", "Y", "WIDTH",
                "HEIGHT", "ROTATION", "MASK",
            )
        )  # fmt: skip
        plating = hole[-1:] if hole[-1:] in ("P", "U") else ""
        numbers = (
            _signed(x[1:]), _signed(y[1:]), _number(hole[1:].rstrip("PU")), _number(access[1:]),
            _number(width[1:]), _number(height[1:]), _number(rotation[1:]), _number(mask[1:]),
        )  # fmt: skip
        net, at = net.strip(), (ref.strip(), (pin or "").strip())
        code = int(record)
        if code < 100:  # a continuation: what it leaves blank is as in the record above
            if not self.record:
                raise ValueError
            code, net = self.record[-1], net or self.net[-1]
            at = at if any(at) else self.pin[-1]
        self.record.append(code)
        self.net.append(net)
        self.pin.append(at)
        self.midpoint.append(midpoint == "M")
        self.plating.append(plating)
        self.numbers.append(numbers)
        self.line.append(line)


def _number(text: str) -> float:
    text = text.strip()
    return int(text) if text else math.nan


def _signed(text: str) -> float:
    return int(text[0] + text[1:].strip()) if text[0] in "+-" else int(text)


def read_netlist(data: bytes, file: str) -> Netlist:
    """Read one netlist.

    Parameters
    ----------
    data : bytes
    file : str
        Name for messages.

    Raises
    ------
    FormatError
        When no line is a test point, or the file is above a limit.

    Examples
    --------
    >>> netlist = read_netlist(
    ...     b"P  UNITS CUST 1\\n"
    ...     b"317GND              U1    -2    D0300PA00X+001000Y-002500X0600Y    R090 S0\\n999\\n",
    ...     "board.ipc",
    ... )
    >>> netlist.names, netlist.points.x.tolist(), netlist.points.hole.tolist()
    (('GND',), [1.0], [0.3])
    """
    check_size(data, file)
    count = max(data.count(b"\n"), data.count(b"\r")) + 1
    if count > MOST_RECORDS:
        raise too_much(f"the file has {count:,} lines", f"at most {MOST_RECORDS:,}", file)
    texts = re.split(r"\r\n|\n|\r", data.decode("latin-1").rstrip("\x1a\x00"))
    head, rows = Head(file), _Rows()
    bad: list[int] = []
    loose: list[int] = []
    unused: dict[str, list[int]] = {}
    end = 0
    pattern = _pattern()
    for number, text in enumerate(texts, start=1):
        if end:
            if text.strip():
                head.defects.append(_after_end(file, number))
                break
            continue
        first = text[:1]
        if first in ("3", "0"):
            found = pattern.match(text.ljust(80))
            if found is None or not _kept(rows, found, number):
                code = text[:3]
                if _CODE.fullmatch(code) and (code[1:] not in ("07", "17", "27", "67")):
                    unused.setdefault("3" + code[1:], []).append(number)
                    continue
                found = _LOOSE.match(_squeezed(text))
                kept = found is not None and _kept(rows, found, number)
                (loose if kept else bad).append(number)
        elif first == "C":
            head.comment(text, number)
        elif first == "P":
            head.parameter(text, number)
        elif text[:3] == "999":
            end = number
        elif text.strip():
            bad.append(number)
    if not rows.record:
        raise FormatError(
            "no test point", "records 317, 327, 307 or 367 of IPC-D-356A",
            "Ask for the netlist anew.", file,
        )  # fmt: skip
    head.defects += _line_defects(file, bad, loose, unused, texts)
    if not end:
        head.defects.append(
            Defect(
                "data.truncated-file", Weight.QUERY, "the file ends without record 999",
                "999 as the last record", "Ask for the whole netlist.", file, len(texts),
            )
        )  # fmt: skip
    return _table(rows, head)


def _squeezed(text: str) -> str:
    """Blanks behind the net field as one each, so that the loose pattern has few ways to try."""
    return text[:17] + " " + " ".join(text[17:_LONGEST].split())


def _kept(rows: _Rows, found: re.Match[str], line: int) -> bool:
    try:
        rows.add(found, line)
    except ValueError:
        return False
    return True


def _table(rows: _Rows, head: Head) -> Netlist:
    numbers = np.array(rows.numbers, dtype=np.float64)
    count = _COUNT[head.unit]
    head.finish(set(rows.net), bool((numbers[:, 6] > 0).any()))
    names: dict[str, int] = {}
    nets = [names.setdefault(head.name(t), len(names)) if t else -1 for t in rows.net]
    pins: dict[tuple[str, str], int] = {}
    pin = [pins.setdefault(p, len(pins)) if any(p) else -1 for p in rows.pin]
    plating = np.array([{"P": 1, "U": 0, "": -1}[p] for p in rows.plating], dtype=np.int8)
    size = numbers[:, [2, 4, 5]] * count
    hole = np.where(size[:, 0] > 0, size[:, 0], np.nan)
    width = np.where(size[:, 1] > 0, size[:, 1], np.nan)
    height = np.where(size[:, 2] > 0, size[:, 2], width)
    points = Points(
        record=np.array(rows.record, dtype=np.int32),
        x=numbers[:, 0] * count,
        y=numbers[:, 1] * count,
        net=np.array(nets, dtype=np.int32),
        pin=np.array(pin, dtype=np.int32),
        midpoint=np.array(rows.midpoint, dtype=np.bool_),
        hole=hole,
        plated=plating,
        access=_whole(numbers[:, 3]).astype(np.int32),
        width=width,
        height=height,
        rotation=np.nan_to_num(numbers[:, 6]) * (0.01 if head.radians else math.pi / 180),
        mask=_whole(numbers[:, 7]).astype(np.int8),
        line=np.array(rows.line, dtype=np.int32),
    )
    return Netlist(
        head.file, head.unit, count, tuple(names), tuple(pins), points, head.thickness,
        head.conductors, tuple(head.layers), tuple(head.defects), tuple(head.assumptions),
    )  # fmt: skip


def _whole(values: np.ndarray) -> np.ndarray:
    return np.where(np.isnan(values), -1, values)


def _line_defects(
    file: str, bad: list[int], loose: list[int], unused: dict[str, list[int]], texts: list[str]
) -> list[Defect]:
    out: list[Defect] = []
    for line in bad[:_LISTED]:
        more = f" ({len(bad)} such lines)" if len(bad) > 1 and line == bad[0] else ""
        shown = texts[line - 1].strip()[:40]
        out.append(
            Defect(
                "data.illegal-construct", Weight.QUERY, f'"{shown}" cannot be read{more}',
                "a record of IPC-D-356A in its columns",
                "The line was left out; ask for a netlist that keeps to the columns.", file, line,
            )
        )  # fmt: skip
    if loose:
        out.append(
            Defect(
                "data.illegal-construct", Weight.NOTE,
                f"{len(loose)} records do not keep to their columns", "fields in their columns",
                "They were read by their letters; check a few.", file, loose[0],
            )
        )  # fmt: skip
    for code, lines in sorted(unused.items()):
        what = _UNUSED.get(code, "of another kind")
        out.append(
            Defect(
                "data.unknown-command", Weight.NOTE,
                f"{len(lines)}× record {code} ({what}) is not used", "test points",
                "Nothing to do: nets are compared by their points.", file, lines[0],
            )
        )  # fmt: skip
    return out


def _after_end(file: str, line: int) -> Defect:
    return Defect(
        "data.illegal-construct", Weight.QUERY, "text behind record 999", "nothing behind the end",
        "It was not read; ask whether two netlists were joined.", file, line,
    )  # fmt: skip
