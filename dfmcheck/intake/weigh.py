"""Weighs the clues for one file against each other: function, side, plating, confidence."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePosixPath

from dfmcheck.intake.content import (
    attributes,
    drill_clues,
    excellon_clue,
    function_clue,
    gerber_clues,
    habit_clue,
    image_clue,
    outline_remark,
)
from dfmcheck.intake.habits import read_ending, read_span, read_words
from dfmcheck.intake.package import COPPER, DRILLED, FABRICATION, Clue, Recognised, Source
from dfmcheck.intake.sniff import text_head
from dfmcheck.terms import Function, Plating, Role, Side

_F = Function
#: What a file of this format can be at all; other formats carry no layer.
_POSSIBLE: Mapping[str, frozenset[Function]] = {
    "gerber": FABRICATION | {_F.DOCUMENT, _F.UNKNOWN},
    "excellon": DRILLED | {_F.DOCUMENT, _F.UNKNOWN},
}
_PLAIN_ROLE: Mapping[str, tuple[Function, float, str]] = {
    "job": (_F.JOB, 0.98, "it is a Gerber job file"),
    "ipc-d-356": (_F.NETLIST, 0.98, "its records are those of IPC-D-356"),
    "apertures": (_F.APERTURES, 0.9, "its lines define apertures by D-code"),
    "listing": (_F.DOCUMENT, 0.95, "it is a report or parameter listing"),
    "text": (_F.DOCUMENT, 0.85, "it is plain text"),
    "pdf": (_F.DOCUMENT, 0.95, "it is a PDF document"),
    "image": (_F.DOCUMENT, 0.95, "it is a picture"),
    "office": (_F.DOCUMENT, 0.95, "it is an office document"),
    "model": (_F.DOCUMENT, 0.9, "it is a mechanical drawing or model"),
    "markup": (_F.DOCUMENT, 0.7, "it is HTML, XML or SVG"),
    "plot": (_F.UNKNOWN, 0.6, "it is a pen-plotter file"),
}


def name_clues(name: str, ignore: frozenset[str]) -> list[Clue]:
    """Clues from the ending and the words of a file name."""
    base, stem = PurePosixPath(name).name, PurePosixPath(name).stem
    clues: list[Clue] = []
    ending = read_ending(base)
    if ending is not None:
        remark = f" ({ending.words})" if ending.words else ""
        said = f"its name ends in .{PurePosixPath(base).suffix.lstrip('.')}{remark}"
        clue = habit_clue(ending, Source.NAME, said)
        if clue is not None:
            clues.append(clue)
    words = read_words(stem, ignore)
    if words is None and stem.casefold() != base.casefold():
        words = read_words(stem)  # the word common to all may have been the telling one
    if words is not None:
        clue = habit_clue(words, Source.NAME, f"its name holds '{words.words}'")
        if clue is not None:
            clues.append(clue)
    return clues


def named_like(name: str) -> Function | None:
    """Fabrication function a name claims whatever the content, or None."""
    for clue in sorted(name_clues(name, frozenset()), key=lambda c: -c.confidence):
        if clue.function in FABRICATION and clue.confidence >= 0.8:
            return clue.function
    return None


def recognise(
    name: str,
    data: bytes,
    kind: str,
    user: Role | None,
    told: list[Clue],
    ignore: frozenset[str],
) -> Recognised:
    """Gather and weigh all clues for one file.

    Parameters
    ----------
    name, data, kind
        The file and its sniffed format.
    user : Role, optional
        The role the user gave.
    told : list of Clue
        Clues from job files and listings.
    ignore : frozenset of str
        Words common to all names.

    Returns
    -------
    Recognised
    """
    head = text_head(data) if kind in ("gerber", "excellon", "job") else ""
    values = attributes(head)
    if user is not None:
        clue = Clue(
            Source.USER,
            f"the user says {user}",
            1.0,
            user.function,
            user.side,
            user.layer,
            absolute=True,
            span=(str(user.span[0]), str(user.span[1])) if user.span else None,
            plating=user.plating if user.plating is not Plating.UNKNOWN else None,
        )
        clues = [clue, *_clues(name, data, kind, head, values, told, ignore)]
        side = user.side if user.function not in COPPER else user.side or _side(clues[1:])
        return Recognised(
            name, data, kind, user.function, side, user.plating, 1.0,
            (clue.sentence,), values, tuple(clues), outline_remark(head),
        )  # fmt: skip
    if kind not in _POSSIBLE:
        function, confidence, sentence = _PLAIN_ROLE.get(
            kind, (_F.UNKNOWN, 0.5, "its content is of no known kind")
        )
        if kind == "markup" and named_like(name) is not None:
            function = _F.UNKNOWN  # a page saved in place of a layer
        return Recognised(
            name, data, kind, function, None, Plating.UNKNOWN, confidence,
            (sentence,), values, tuple(told),
        )  # fmt: skip
    clues = _clues(name, data, kind, head, values, told, ignore)
    outline = outline_remark(head)
    habits = (read_ending(name), read_words(PurePosixPath(name).stem, ignore))
    if kind == "gerber" and not outline and any(h is not None and h.mechanical for h in habits):
        outline = "drawings of its kind often do"
    return _weigh(name, data, kind, values, clues, outline)


def _clues(
    name: str,
    data: bytes,
    kind: str,
    head: str,
    values: dict[str, tuple[str, ...]],
    told: list[Clue],
    ignore: frozenset[str],
) -> list[Clue]:
    clues: list[Clue] = []
    stated = function_clue(
        values.get("FileFunction", ()), Source.ATTRIBUTE, "attribute .FileFunction"
    )
    if stated is not None:
        clues.append(stated)
    clues += told
    clues += name_clues(name, ignore)
    if kind == "gerber":
        clues += gerber_clues(head)
    elif kind == "excellon":
        clues += drill_clues(head)
        clues.append(excellon_clue(head))
        span = read_span(PurePosixPath(name).stem)
        if span is not None:
            clues.append(
                Clue(
                    Source.NAME,
                    f"its name ends in the span {span[0]}-{span[1]}",
                    0.6,
                    span=(str(span[0]), str(span[1])),
                )
            )
    possible = _POSSIBLE.get(kind)
    return [c for c in clues if possible is None or c.function is None or c.function in possible]


def _kin(function: Function) -> frozenset[Function]:
    """Functions that do not contradict each other."""
    for group in (COPPER, DRILLED):
        if function in group:
            return group
    return frozenset({function})


def _weigh(
    name: str,
    data: bytes,
    kind: str,
    values: dict[str, tuple[str, ...]],
    clues: list[Clue],
    outline: str,
) -> Recognised:
    if not any(c.function for c in clues):
        clues = [*clues, image_clue(data)]
    # An attribute or job file states the role; the rest is weighed by confidence.
    order = sorted(
        (c for c in clues if c.function is not None),
        key=lambda c: (
            (min(c.source, Source.LISTING), -c.confidence)
            if c.source <= Source.JOB
            else (Source.LISTING, -c.confidence)
        ),
    )
    best = order[0]
    function = best.function or _F.UNKNOWN
    kin = _kin(function)
    agreeing = [c for c in order if c.function in kin]
    against = [c for c in order if c.function not in kin and c.function is not _F.UNKNOWN]
    side = _side(agreeing)
    contrary = [c for c in agreeing if side and c.side and c.side is not side]
    doubt = 1.0 - best.confidence
    for clue in agreeing[1:]:
        if clue not in contrary and (clue.source is not best.source or clue.side or clue.number):
            doubt *= 1.0 - clue.confidence / 2
    confidence = 1.0 - doubt
    evidence = [c.sentence for c in agreeing if c not in contrary]
    evidence += [c.sentence for c in clues if c.function is None]
    for clue in (*against, *contrary):
        if best.source <= Source.JOB and clue.confidence < 0.8:
            continue
        confidence *= 1.0 - clue.confidence * (0.3 if clue in against else 0.6)
        evidence.append(f"but {clue.sentence}")
    if function in (_F.MASK, _F.LEGEND, _F.PASTE) and side is None:
        evidence.append("nothing says whether it is for the top or the bottom")
        return Recognised(
            name, data, kind, _F.UNKNOWN, None, Plating.UNKNOWN, min(confidence, 0.3),
            (f"it looks like a {function} layer", *evidence), values, tuple(clues), outline,
        )  # fmt: skip
    # A clue such as "jumper" takes the certainty out of all others.
    odd = [c for c in order if c.function is _F.UNKNOWN and c is not best]
    if odd and best.source > Source.JOB and confidence < 0.7:
        return Recognised(
            name, data, kind, _F.UNKNOWN, None, Plating.UNKNOWN, 0.3,
            (*evidence, *(f"but {c.sentence}" for c in odd)), values, tuple(clues), outline,
        )  # fmt: skip
    return Recognised(
        name, data, kind, function, side if function not in DRILLED else None,
        _plating(clues) if function in DRILLED else Plating.UNKNOWN,
        round(confidence, 3), tuple(dict.fromkeys(evidence)), values, tuple(clues), outline,
    )  # fmt: skip


def _side(clues: list[Clue]) -> Side | None:
    for clue in clues:
        if clue.side is not None:
            return clue.side
    return None


def _plating(clues: list[Clue]) -> Plating:
    for clue in sorted(clues, key=lambda c: (c.source is not Source.ATTRIBUTE, -c.confidence)):
        if clue.plating is not None:
            return clue.plating
    return Plating.UNKNOWN
