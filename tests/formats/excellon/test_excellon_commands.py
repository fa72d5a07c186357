"""Every row of the command table does what the table says, and the page is written from it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dfmcheck.formats.excellon import motion, read_excellon
from dfmcheck.formats.excellon.commands import COMMANDS, FRAMES, TREATMENTS, Command, markdown
from dfmcheck.formats.records import Drilling, HitKind
from dfmcheck.terms import Weight

_PAGE = Path(__file__).resolve().parents[3] / "docs" / "excellon-commands.md"
_WORD = {HitKind.HIT: "hole", HitKind.SLOT: "slot", HitKind.ROUT: "cut", HitKind.ROUT_ARC: "arc"}


def _n(value: float) -> str:
    return f"{round(value, 3) + 0.0:g}"


def describe(drilling: Drilling, tools: bool) -> str:
    """What was read, in the words of the table."""
    h = drilling.hits
    parts = []
    for i in range(len(h)):
        kind = HitKind(h.kind[i])
        text = f"{_WORD[kind]} {_n(h.x0[i])} {_n(h.y0[i])}"
        if kind != HitKind.HIT:
            text += f" to {_n(h.x1[i])} {_n(h.y1[i])}"
        if kind == HitKind.ROUT_ARC:
            turn = "clockwise" if h.clockwise[i] else "counter-clockwise"
            text += f" {turn} about {_n(h.cx[i])} {_n(h.cy[i])}"
        parts.append(text)
    if len(parts) > 5:
        parts = [f"{len(parts)} holes, {parts[0]} … {parts[-1]}"]
    if tools:
        for t in drilling.tools:
            plating = f" {t.plating}" if t.plating != "unknown" else ""
            parts.append(f"T{t.number} {_n(t.diameter or 0)}{plating}")
    if span := drilling.attributes.get("LayerSpan"):
        parts.append(f"span {' to '.join(span)}")
    defects = {(d.rule, Weight(d.weight).name.lower()) for d in drilling.defects}
    return ", ".join([*parts, *(f"{rule} ({weight})" for rule, weight in sorted(defects))])


def read(row: Command, strict: bool = False) -> Drilling:
    text = FRAMES[row.frame].format(row.example)
    return read_excellon(text.encode(), "a.drl", strict=strict)


@pytest.mark.parametrize("row", COMMANDS, ids=lambda row: row.form)
def test_example_reads_as_the_table_says(row: Command) -> None:
    drilling = read(row)
    assert describe(drilling, row.frame != "body") == row.gives
    assert row.treatment in TREATMENTS
    worst = max((d.weight for d in drilling.defects), default=None)
    expected = {"noted": Weight.NOTE, "asked": Weight.QUERY, "not read": Weight.QUERY}
    assert worst == expected.get(row.treatment)
    assert not [a for a in drilling.assumptions if a.doubtful]


@pytest.mark.parametrize("row", COMMANDS, ids=lambda row: row.form)
def test_strict_reading_agrees_with_the_xnc_column(row: Command) -> None:
    departures = [d for d in read(row, strict=True).defects if d.found.startswith("XNC")]
    assert bool(departures) != row.xnc, [d.found for d in departures]
    assert all(d.weight == Weight.NOTE and d.line for d in departures)


def test_forms_are_told_once_and_silent_codes_are_all_in_the_table() -> None:
    forms = [row.form for row in COMMANDS]
    assert len(set(forms)) == len(forms)
    told = {(w[0], int(w[1:])) for form in forms for w in re.findall(r"[GM]\d\d", form)}
    assert {("G", n) for n in motion._POWERLESS_G} <= told
    assert {("M", n) for n in motion._POWERLESS_M} <= told


def test_page_is_written_from_the_table() -> None:
    assert _PAGE.read_text(encoding="utf-8") == markdown()
