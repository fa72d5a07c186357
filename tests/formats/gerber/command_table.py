"""Reads the rows of command_rows.py and writes docs/gerber-commands.md from them.

python tests/formats/gerber/command_table.py            write the page
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from command_row import HEAD, Row
from command_rows import ROWS

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.formats.records import Artwork, Kind, Objects

PAGE = Path(__file__).resolve().parents[3] / "docs" / "gerber-commands.md"
_INTRODUCTION = f"""# Gerber commands

How the Gerber reader treats each command. Clause numbers are those of the Gerber Layer Format
Specification (Ucamco), revision 2024.05, from memory; deprecated commands stand in its chapter 8,
and the order and reach of MI, SF, OF, IR and AS are from memory of that chapter and of the older
RS-274-X description.

Every row is an example that the tests read; this page is written by
`python tests/formats/gerber/command_table.py`. Unless an example is a whole file (†), it stands
between `{HEAD}` and `M02*`. Lengths of images are in mm. *Recorded* names the rule and weight of
what is said about it in a screen: a note, a query, or a hold.
"""


def text_of(row: Row) -> bytes:
    """The whole file of a row."""
    if row.whole or row.example.startswith("\ufeff"):
        return row.example.encode()
    end = "" if "M02*" in row.example or "M00*" in row.example else "M02*"
    return f"{HEAD}{row.example}{end}".encode()


def read(row: Row) -> Artwork:
    return read_gerber(text_of(row), "made-up.gbr", row.listed)


def recorded(art: Artwork) -> str:
    """Rules with weights of the defects, and the doubtful assumptions."""
    said = {f"{d.weight.name.lower()} {d.rule}" for d in art.defects}
    doubts = {f"doubtful {a.subject}" for a in art.assumptions if a.doubtful}
    return ", ".join([*sorted(said), *sorted(doubts)])


def drawn(art: Artwork) -> str:
    """The image in words."""
    parts = [_object(art, art.objects, k) for k in range(len(art.objects))]
    parts += [
        f"file attribute {name}={','.join(fields)}" for name, fields in art.attributes.items()
    ]
    return "; ".join(parts) or "nothing"


def _number(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _point(x: float, y: float) -> str:
    return f"({_number(x)}, {_number(y)})"


def _object(art: Artwork, table: Objects, k: int) -> str:
    kind = Kind(int(table.kind[k]))
    begin, end = _point(table.x0[k], table.y0[k]), _point(table.x1[k], table.y1[k])
    if kind is Kind.REGION:
        rows = np.flatnonzero(art.contours.region == table.region[k])
        points = [_point(art.contours.x0[r], art.contours.y0[r]) for r in rows]
        text = "region " + " ".join(points)
    elif kind is Kind.FLASH:
        text = f"flash {end}"
    elif kind is Kind.DRAW:
        text = f"draw {begin} {end}"
    else:
        turn = "clockwise" if table.clockwise[k] else "counter-clockwise"
        text = f"arc {begin} {end} {turn} about {_point(table.cx[k], table.cy[k])}"
    if table.aperture[k] >= 0:
        text += " by " + _aperture(art, int(table.aperture[k]))
    if not table.dark[k]:
        text += ", clear"
    if table.mirror[k]:
        text += ", mirrored " + ["", "x", "y", "x and y"][int(table.mirror[k])]
    if table.rotation[k]:
        text += f", turned {_number(float(np.degrees(table.rotation[k])))}°"
    if table.scale[k] != 1:
        text += f", scaled {_number(table.scale[k])}"
    if table.net[k] >= 0:
        text += f", net {art.nets[table.net[k]]}"
    if table.pin[k] >= 0:
        text += f", pin {' '.join(art.pins[table.pin[k]])}"
    return text


def _aperture(art: Artwork, row: int) -> str:
    aperture = art.apertures[row]
    name = f"D{aperture.code}" if aperture.code else "a repeat"
    if aperture.template == "block":
        block = art.blocks[aperture.block]
        return f"{name} [{'; '.join(_object(art, block, k) for k in range(len(block)))}]"
    if aperture.template == "macro":
        shapes = [
            f"{p.code} {'on' if p.exposed else 'off'} {' '.join(map(_number, p.values))}"
            for p in aperture.primitives
        ]
        return f"{name} (macro: {' / '.join(shapes)})"
    function = f" {aperture.function}" if aperture.function else ""
    return f"{name} ({aperture.template} {' '.join(map(_number, aperture.values))}{function})"


def page() -> str:
    """The whole of docs/gerber-commands.md."""
    lines = [_INTRODUCTION]
    for group in dict.fromkeys(row.group for row in ROWS):
        lines += [f"## {group}", "", "| command | treatment | example | image | recorded |"]
        lines += ["|---|---|---|---|---|"]
        for row in (r for r in ROWS if r.group == group):
            example = "`" + _plain(row.example) + "`" + (" †" if row.whole else "")
            if row.listed is not None:
                example += " with the list `" + _plain(row.listed) + "`"
            cells = (row.command, row.treatment, example, row.image, row.recorded or "—")
            lines.append("| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |")
        lines.append("")
    return "\n".join(lines)


def _plain(text: str) -> str:
    marks = {"\ufeff": "‹mark›", "\r": "‹CR›", "\n": "‹LF›"}
    for mark, shown in marks.items():
        text = text.replace(mark, shown)
    return text.replace(HEAD, "…")


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(f"written: {PAGE}", file=sys.stderr)
