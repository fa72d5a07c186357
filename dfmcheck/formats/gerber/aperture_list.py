"""Aperture lists that come apart from an RS-274-D file.

No standard defines them; ``grammars/gerber_aperture_list.lark`` shows the rows that are read. A row
whose shape or size is not beyond doubt defines nothing, and is recorded.
"""

from __future__ import annotations

import math
import re
from collections.abc import Container, Iterable
from dataclasses import dataclass
from functools import lru_cache

from dfmcheck.formats.gerber.coordinates import INCH
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.syntax import NotInGrammarError, parse
from dfmcheck.formats.records import Aperture, Primitive
from dfmcheck.terms import Weight

_TEMPLATES = {
    "C": ("C", "CIRCLE", "CIRCULAR", "ROUND", "ROUNDED", "RND"),
    "S": ("S", "SQUARE", "SQR", "SQ"),
    "R": ("R", "RECT", "RECTANGLE", "RECTANGULAR"),
    "O": ("O", "OVAL", "OBLONG", "OBROUND"),
}
_TEMPLATE = {name: template for template, names in _TEMPLATES.items() for name in names}
_MILLIMETRES = {"MM": 1.0, "MIL": INCH / 1000, "THOU": INCH / 1000, "IN": INCH, '"': INCH}
_ROW = re.compile(r"\s*D?0*[1-9][0-9]+[\s,;|]+[A-Za-z]")
_CODED = re.compile(r"D0*[1-9][0-9]")
_UNITS = {
    "MM": re.compile(r"\bmm\b|millimet|metric", re.I),
    "MIL": re.compile(r"\bmils?\b|\bthou\b", re.I),
    "IN": re.compile(r"\binch|\bin\b(?=\s*$|\s*[,;)])|\benglish\b|\bimperial\b", re.I),
}
_SAME = 0.002  # mm; lists are often rounded to 0.1 mil (common practice)


@dataclass(frozen=True, slots=True)
class Row:
    """One row as written: sizes with the unit's name, or "" where the row states none."""

    code: int
    shape: str
    sizes: tuple[tuple[float, str], ...]
    rotation: float
    line: int


@lru_cache(maxsize=20_000)  # one list serves every file of a package
def read_row(text: str, line: int) -> Row:
    """Read one row; NotInGrammarError where it is none.

    Examples
    --------
    >>> read_row("D10 Round 0.010", 1)
    Row(code=10, shape='ROUND', sizes=((0.01, ''),), rotation=0.0, line=1)
    >>> read_row("D11, RECT, 1.5mm x 0.8mm, FLASH, 90", 2).sizes
    ((1.5, 'MM'), (0.8, 'MM'))
    """
    bare = re.sub(r"[\s,;|]+", " ", text.upper()).strip()
    tree = parse("aperture_list", bare)
    sizes: list[tuple[float, str]] = []
    rotation = 0.0
    for part in tree.children[2:]:
        assert not isinstance(part, str)
        if part.data == "size":
            unit = str(part.children[1]) if len(part.children) > 1 else ""
            unit = "MIL" if unit == "MILS" else "IN" if unit.startswith("INCH") else unit
            sizes.append((float(str(part.children[0])), unit))
        else:
            for inner in part.children:
                if not isinstance(inner, str):
                    rotation = float(str(inner.children[0]))
    code, shape = (str(t) for t in tree.children[:2] if isinstance(t, str))
    return Row(int(code), shape, tuple(sizes), rotation, line)


def read_aperture_list(text: str, wanted: Container[int], notes: Notes) -> list[Aperture]:
    """Apertures of a list, lengths in mm; ``line`` is 0, as they stand in another file.

    Parameters
    ----------
    text : str
        The whole list.
    wanted : container of int
        The aperture numbers asked for; a list serves a whole package and holds many more.
    notes : Notes
        Takes the rows that could not be read, and the unit where it had to be assumed.
    """
    rows: list[Row] = []
    headings: list[str] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not _ROW.match(line):
            headings.append(line)
            if _CODED.search(line):
                _unread(line, number, notes)
            continue
        try:
            rows.append(read_row(line, number))
        except NotInGrammarError:
            _unread(line, number, notes)
    if not rows:
        notes.add(
            "data.aperture-undefined",
            Weight.QUERY,
            "the aperture list holds no aperture",
            "rows such as 'D10 ROUND 0.010'",
            "Ask for the aperture list of this file.",
        )
        return []
    unit = 1.0
    if any(not name and value for row in rows for value, name in row.sizes):
        unit = _unit(headings, rows, notes)
    apertures: dict[int, Aperture] = {}
    for row in rows:
        aperture = _aperture(row, unit, notes) if row.code in wanted else None
        if aperture is None:
            continue
        before = apertures.setdefault(aperture.code, aperture)
        if not _alike(before, aperture):
            notes.illegal(
                Weight.HOLD,
                f"the aperture list defines D{row.code} twice, differently",
                "one row for each number",
                f"The first was used (the other is row {row.line}); ask which one holds.",
            )
    return list(apertures.values())


def add_list(text: str, used: Iterable[int], apertures: list[Aperture], notes: Notes) -> int:
    """Add the apertures a file uses and does not define; returns how many were added.

    Those it defines itself are only compared.
    """
    own = {a.code: a for a in apertures if a.template != "macro"}
    defined = {a.code for a in apertures}
    missing = set(used) - defined
    quiet = Notes(notes.file)
    for listed in read_aperture_list(text, own, quiet):
        mine = own[listed.code]
        if not _alike(mine, listed):
            notes.illegal(
                Weight.QUERY,
                f"the aperture list states another D{listed.code} than the file",
                "the same size in both",
                "The file's own was used; ask whether the list belongs to it.",
                mine.line or None,
            )
    if not missing:
        return 0
    new = read_aperture_list(text, missing, notes)
    apertures.extend(new)
    if new:
        notes.assume(
            "apertures",
            f"{len(new)} from the aperture list",
            "the file does not define them; the list that came with it does",
            0.9,
        )
    return len(new)


def _alike(a: Aperture, b: Aperture) -> bool:
    return (
        a.template == b.template
        and len(a.values) == len(b.values)
        and all(abs(v - w) <= _SAME for v, w in zip(a.values, b.values, strict=True))
        and a.primitives == b.primitives
    )


def _unit(headings: list[str], rows: list[Row], notes: Notes) -> float:
    """Millimetres per unit where rows do not say it: from the headings, else from the sizes."""
    named = [n for n, form in _UNITS.items() if any(form.search(h) for h in headings)]
    if len(named) == 1:
        notes.assume("aperture list unit", named[0].lower(), "a heading of the list names it", 0.95)
        return _MILLIMETRES[named[0]]
    largest = sorted(max(v for v, _ in row.sizes) for row in rows)
    middle = largest[len(largest) // 2]
    # the middle aperture of a board is 0.1 to 5 mm (common practice)
    name = "IN" if middle < 0.1 else "MIL" if middle >= 5 else "MM"
    why = "the headings name several units" if named else "the list does not name it"
    notes.assume(
        "aperture list unit",
        name.lower(),
        f"{why}; half of the sizes are {middle:g} or less, as is usual in this unit",
        0.5,
    )
    return _MILLIMETRES[name]


def _aperture(row: Row, unit: float, notes: Notes) -> Aperture | None:
    template = _TEMPLATE.get(row.shape)
    if template is None:
        _doubt(row, f"as '{row.shape[:20]}'", "a round, square, rectangular or oval one", notes)
        return None
    sizes = [value * (_MILLIMETRES[name] if name else unit) for value, name in row.sizes]
    if not all(map(math.isfinite, sizes)) or min(sizes) < 0 or len(sizes) > 3:
        _doubt(row, "with impossible sizes", "width, height and hole, none below zero", notes)
        return None
    width, height, hole = (*sizes, 0.0, 0.0)[:3]
    height = height or width
    if template in "CS" and width != height:
        _doubt(row, f"as '{row.shape}' with two sizes", "one size, or the same twice", notes)
        return None
    if template in "RO" and len(sizes) < 2:
        _doubt(row, f"as '{row.shape}' with one size", "width and height", notes)
        return None
    kept = (hole,) if hole else ()
    if template == "C":
        return Aperture(row.code, "C", (width, *kept))
    template = "R" if template == "S" else template
    if row.rotation % 180 and (width != height or row.rotation % 90):
        notes.assume(
            f"aperture D{row.code}",
            f"{width:.4g} × {height:.4g} mm before its turn by {row.rotation:g}°",
            "the aperture list gives sizes and a rotation; lists seen give the sizes unturned",
            0.75,
        )
        if row.rotation % 90:
            return _slanted(row, template, width, height, hole, notes)
        width, height = height, width
    return Aperture(row.code, template, (width, height, *kept))


def _slanted(
    row: Row, template: str, width: float, height: float, hole: float, notes: Notes
) -> Aperture | None:
    if template != "R":
        _doubt(row, f"as an oval turned by {row.rotation:g}°", "quarter turns", notes)
        return None
    body = Primitive(21, True, (width, height, 0.0, 0.0, math.radians(row.rotation)))
    cleared = (Primitive(1, False, (hole, 0.0, 0.0, 0.0)),) if hole else ()
    return Aperture(row.code, "macro", (), (body, *cleared), -1, "turned rectangle")


def _doubt(row: Row, found: str, expected: str, notes: Notes) -> None:
    notes.add(
        "data.aperture-undefined",
        Weight.QUERY,
        f"the aperture list gives D{row.code} {found} (row {row.line})",
        expected,
        "It was left undefined; ask what it is to be.",
    )


def _unread(text: str, number: int, notes: Notes) -> None:
    shown = "".join(c if c.isprintable() else "?" for c in " ".join(text.split())[:40])
    notes.add(
        "data.aperture-undefined",
        Weight.QUERY,
        f"row {number} of the aperture list cannot be read ('{shown}')",
        "a number, a shape and sizes",
        "What it defines is not known; ask for a plain list.",
    )
