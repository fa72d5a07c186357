"""Reads Gerber layer files: RS-274-X, X2, X3, and what can be made of RS-274-D."""

from __future__ import annotations

import re

import numpy as np

from dfmcheck.errors import FormatError
from dfmcheck.formats.gerber.aperture_list import add_list
from dfmcheck.formats.gerber.bounds import within_bounds
from dfmcheck.formats.gerber.coordinates import (
    INCH,
    Format,
    Units,
    choose_format,
    choose_units,
    to_mm,
    to_steps,
)
from dfmcheck.formats.gerber.image import build_image
from dfmcheck.formats.gerber.modes import (
    check_codes,
    name_doubles,
    read_operations,
    until_end,
)
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.scan import Scan, check_is_gerber, plain_text, scan, statements
from dfmcheck.formats.gerber.setup import Setup
from dfmcheck.formats.gerber.whole import apply_old
from dfmcheck.formats.gerber.words import Numbers, Word, Words, read_words
from dfmcheck.formats.limits import check_size
from dfmcheck.formats.records import Artwork
from dfmcheck.terms import Weight

__all__ = ["read_gerber"]

_END = re.compile(rb"M0*[02]\s*\Z")


def read_gerber(data: bytes, file: str, apertures: str | None = None) -> Artwork:
    """Read a Gerber layer file.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for defects.
    apertures : str, optional
        Text of the aperture list that came with an RS-274-D file; it defines what the file
        does not define itself.

    Returns
    -------
    Artwork
        Lengths in mm, angles in radians. Whatever is wrong with the file stands in
        ``defects``, whatever had to be assumed in ``assumptions``.

    Raises
    ------
    FormatError
        The bytes are no Gerber file at all, or are above a limit of
        :mod:`dfmcheck.formats.limits`.

    Notes
    -----
    Gerber Layer Format Specification (Ucamco), with the deprecated commands of its chapter 8.
    Clause numbers here and in the modules below are those of revision 2024.05, from memory.

    Examples
    --------
    >>> art = read_gerber(b"%FSLAX24Y24*%%MOMM*%%ADD10C,0.5*%D10*X10000Y0D03*M02*", "a.gbr")
    >>> art.objects.x0.tolist(), art.apertures[0].values
    ([1.0], (0.5,))
    """
    check_size(data, file)
    notes = Notes(file)
    data = plain_text(data, notes)
    check_is_gerber(data, file)
    cut = scan(data, notes)
    words = read_words(cut, notes)
    if words.unknown > 10 and words.unknown * 2 > len(words.ends):
        raise FormatError(
            "most commands are unknown",
            "a Gerber layer file (RS-274-X, X2 or X3)",
            "Check what this file is for, or export it again.",
            file,
        )
    check_codes(words, cut, notes)
    words, ended = until_end(words, cut, notes)
    _check_end(cut, ended, notes)

    spans = [s for s in cut.spans if not ended or s.at < words.ends[-1]]
    comments = [s.text.decode("utf-8", "replace") for s in spans if s.comment]
    offsets = np.array([s.at for s in spans], np.int64)
    # '%' ends a word command that lacks its '*', so what it states holds from the next on
    commands = np.searchsorted(words.ends, offsets, side="right").tolist()
    lines = cut.lines(offsets).tolist()
    extended = [
        (s.text.decode("utf-8", "replace"), command, line)
        for s, command, line in zip(spans, commands, lines, strict=True)
        if not s.comment
    ]
    formats = [(text, line) for text, _, line in statements(extended, "FS")]
    form = choose_format(formats, words, comments, notes)
    switches = words.g.where((words.g.value == 70) | (words.g.value == 71))
    switch_lines = cut.lines(words.ends[switches.command]).tolist()
    units = choose_units(statements(extended, "MO"), words, comments, switch_lines, notes)

    setup = Setup(notes, units)
    for span, command, line in zip(spans, commands, lines, strict=True):
        text = span.text.decode("utf-8", "replace")
        if span.comment:
            setup.comment(text, command)
        else:
            setup.extended(text, command, line)
    setup.finish(len(words.ends))
    name_doubles(setup.apertures, notes)
    if apertures is not None:
        used = np.unique(words.d.value[words.d.value >= 10]).astype(np.int64).tolist()
        setup.defined.extend([0] * add_list(apertures, used, setup.apertures, notes))

    _check_digits(words, form, cut, notes)
    x, i = (_mm(w, form.x, form.trailing, units) for w in (words.x, words.i))
    y, j = (_mm(w, form.y, form.trailing, units) for w in (words.y, words.j))
    operations = read_operations(words, x, y, form.incremental, cut, notes)
    image = build_image(words, operations, i, j, setup, cut, notes)
    image = within_bounds(apply_old(image, setup.old, setup.apertures, notes), notes)
    inch = units.last
    return Artwork(
        file,
        "inch" if inch else "mm",
        (INCH if inch else 1.0) / 10 ** max(form.x[1], form.y[1]) * min(setup.old.factor),
        tuple(setup.apertures),
        image.objects,
        image.contours,
        image.blocks,
        setup.attributes,
        tuple(setup.nets),
        tuple(setup.pins),
        tuple(setup.comments),
        notes.defects(),
        tuple(notes.assumptions),
    )


def _mm(word: Word, digits: tuple[int, int], trailing: bool, units: Units) -> Numbers:
    steps = to_steps(word, digits, trailing)
    if units.single:
        return to_mm(steps, digits[1], units.last)
    row = np.maximum(np.searchsorted(units.at, word.command, side="right") - 1, 0)
    return to_mm(steps, digits[1], np.array(units.inch)[row])


def _check_digits(words: Words, form: Format, cut: Scan, notes: Notes) -> None:
    """More digits than FS states: the format is probably another one."""
    for name, word, digits in (("X", words.x, form.x), ("Y", words.y, form.y)):
        over = word.digits > sum(digits)
        if over.any():
            notes.illegal(
                Weight.QUERY,
                f"{name} numbers with more digits than the format states",
                f"at most {sum(digits)} digits ({digits[0]}.{digits[1]})",
                "They were read as they stand; check the size of the image.",
                cut.line(int(words.ends[word.command[np.argmax(over)]])),
                count=int(over.sum()),
            )


def _check_end(cut: Scan, ended: bool, notes: Notes) -> None:
    rule, last = "data.truncated-file", cut.tail_line
    if ended:
        if cut.tail:
            shown = "".join(c if c.isprintable() else "?" for c in cut.tail[:40].decode("latin-1"))
            notes.illegal(
                Weight.NOTE,
                f"text behind the end of the file ('{shown.strip()}')",
                "M02 as the last command",
                "It was passed over; export again.",
                last,
            )
        return
    if _END.fullmatch(cut.tail):
        notes.add(
            rule,
            Weight.NOTE,
            "the last command M02 has no '*'",
            "M02* at the end",
            "The file was taken as complete.",
            last,
        )
    elif cut.tail:
        shown = cut.tail[:40].decode("latin-1").strip()
        notes.add(
            rule,
            Weight.HOLD,
            f"the file breaks off in the middle of a command ('{shown}')",
            "M02* at the end",
            "Ask for the complete file.",
            last,
        )
    else:
        notes.add(
            rule,
            Weight.QUERY,
            "the end of file command M02 is missing",
            "M02* at the end",
            "Ask whether the file is complete.",
            last,
        )
