"""Looks for roles that are missing, doubled or unknown once a board's files are recognised."""

from __future__ import annotations

from collections.abc import Sequence

from dfmcheck.intake.habits import read_ending
from dfmcheck.intake.order import Numbering
from dfmcheck.intake.package import COPPER, DRILLED, FABRICATION, PackageFile, Recognised, Source
from dfmcheck.intake.weigh import named_like
from dfmcheck.terms import Defect, Function, Plating, Role, Side, Weight

_READABLE = frozenset({"gerber", "excellon"})
_LINKED = frozenset({"job", "ipc-d-356"})


def _short(names: Sequence[str]) -> str:
    shown = ", ".join(n.rsplit("/", 1)[-1] for n in names[:4])
    return shown + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def missing_roles(
    files: Sequence[PackageFile], recognised: Sequence[Recognised], numbering: Numbering
) -> list[Defect]:
    """Defects for roles a board needs and the package does not fill."""
    have = {f.role.function for f in files}
    masks = {f.role.side for f in files if f.role.function is Function.MASK}
    defects: list[Defect] = []

    def miss(weight: Weight, found: str, expected: str, action: str, layer: str) -> None:
        defects.append(Defect("data.missing-role", weight, found, expected, action, layer=layer))

    copper = have & COPPER
    if not copper:
        miss(
            Weight.HOLD,
            "no file is a conductor layer",
            "at least one",
            "Send the conductor layers, or give their files roles such as conductor-1",
            "conductor-1",
        )
    if Function.PROFILE not in have:
        miss(
            Weight.HOLD,
            "no file is the profile of the board",
            "one file with the board outline alone",
            _profile_action(recognised),
            "profile",
        )
    if not copper:
        return defects
    if not have & DRILLED:
        miss(
            Weight.QUERY,
            "there are conductors but no drill file",
            "a drill file with all holes",
            "Send the drill file, or confirm that the board has no holes",
            "drill",
        )
    sides = {Side.TOP, Side.BOTTOM}
    single = [f for f in recognised if f.function in COPPER]
    if len(single) == 1 and single[0].side is not None:
        sides = {single[0].side}
    for side in sorted(sides - masks):
        miss(
            Weight.QUERY,
            f"no file is the solder mask of the {side}",
            "a mask layer for each outer conductor",
            f"Send the mask layer, or confirm that the {side} stays bare",
            f"mask-{side}",
        )
    return defects


def _profile_action(recognised: Sequence[Recognised]) -> str:
    """Say which file may hold the profile, with drawings before conductors."""
    told = [f for f in recognised if f.holds_outline]
    drawings = [f for f in told if f.function is Function.DOCUMENT] or told
    drawings.sort(key=lambda f: "fab" not in f.base.casefold())
    ask = "Send the outline as a file of its own, or give the file that holds it the role profile"
    if drawings:
        return f"{ask}; {drawings[0].base} may hold it ({drawings[0].holds_outline})"
    return ask


def _unique_key(file: PackageFile) -> tuple[object, ...] | None:
    """Files with equal keys stand in each other's place; None where many are usual."""
    role = file.role
    if role.function in COPPER:
        return ("conductor", role.layer)
    function = file.attributes.get("FileFunction", ())
    if role.function in (Function.MASK, Function.LEGEND):
        # Two masks or inks on one side are told apart by an index (specification 5.6.3).
        index = next((v for v in function[1:] if v.isdigit()), "1")
        return (str(role.function), role.side, index)
    if role.function is Function.PASTE:
        return ("paste", role.side)
    if role.function is Function.PROFILE:
        # A plated and an unplated profile may stand beside each other.
        return ("profile", "P" if function[1:2] == ("P",) else "NP")
    if role.function is Function.NETLIST:
        return ("netlist",)
    return None


def duplicate_roles(files: Sequence[PackageFile]) -> list[Defect]:
    """Defects for roles that several files claim."""
    groups: dict[tuple[object, ...], list[PackageFile]] = {}
    for file in files:
        key = _unique_key(file)
        if key is not None:
            groups.setdefault(key, []).append(file)
    defects = []
    for group in groups.values():
        if len(group) < 2:
            continue
        same = len({f.data for f in group}) == 1
        defects.append(
            Defect(
                "data.duplicate-role",
                Weight.QUERY,
                f"{len(group)} files have the role {group[0].role}: "
                f"{_short([f.name for f in group])}" + (", with equal content" if same else ""),
                "one file for each role",
                "Leave one out, or give the others their right role",
                file=group[0].name,
                layer=str(group[0].role),
            )
        )
    return defects + _doubled_drilling(files)


def _doubled_drilling(files: Sequence[PackageFile]) -> list[Defect]:
    """The same holes given once as drill file and once as drawing."""
    drills = [f for f in files if f.role.function is Function.DRILL]
    drawn = [f for f in drills if f.format == "gerber"]
    defects = []
    for file in drawn:
        unknown = Plating.UNKNOWN
        twins = [
            f
            for f in drills
            if f.format == "excellon"
            and (
                f.role.plating is file.role.plating
                or unknown in (f.role.plating, file.role.plating)
            )
            and (f.role.span == file.role.span or None in (f.role.span, file.role.span))
        ]
        if twins:
            defects.append(
                Defect(
                    "data.duplicate-role",
                    Weight.QUERY,
                    f"the holes are given as drill file ({_short([t.name for t in twins])}) and, "
                    "it seems, once more as a Gerber layer",
                    "every hole once",
                    "Ask whether both hold the same holes; leave one out or make it a document",
                    file=file.name,
                    layer=str(file.role),
                )
            )
    return defects


_LAYER_ENDINGS = (".gbr", ".ger", ".gerber", ".pho", ".art", ".drl", ".xln", ".exc")
"""Endings of drawing and drill data that do not tell which layer it is."""


def _lost(file: Recognised) -> bool:
    """Plain text under the ending of a layer: an error message, or whatever took its place."""
    if file.format != "text":
        return False
    ending = read_ending(file.name)
    layer = ending is not None and ending.function in FABRICATION and ending.confidence >= 0.8
    return layer or file.name.casefold().endswith(_LAYER_ENDINGS)


def unknown_files(files: Sequence[Recognised]) -> list[Defect]:
    """Defects for files without a role and for layers that cannot be read."""
    defects = []
    for file in files:
        claimed = named_like(file.name)
        if file.evidence and file.evidence[0].startswith("the user says"):
            continue
        if file.format == "empty" or (file.format in ("binary", "markup") and claimed is not None):
            what = (
                "the file is empty"
                if file.format == "empty"
                else (f"the name is that of a {claimed} layer, but {file.evidence[0]}")
            )
            defects.append(
                Defect(
                    "data.unreadable-file",
                    Weight.HOLD if claimed is not None else Weight.NOTE,
                    what,
                    "Gerber or drill data" if claimed is not None else "content",
                    "Export this layer again" if claimed is not None else "Leave it out",
                    file=file.name,
                )
            )
        elif _lost(file):
            defects.append(
                Defect(
                    "data.unreadable-file",
                    Weight.QUERY,
                    f"the name is that of drawing or drill data, but {file.evidence[0]}",
                    "Gerber or drill data",
                    "Ask whether it is a layer, and export it again if it is",
                    file=file.name,
                )
            )
        elif file.function is Function.UNKNOWN:
            layer = file.format in _READABLE or file.format == "plot"
            # A layer whose content is lost must not pass for a stray file.
            layer |= file.name.casefold().endswith(_LAYER_ENDINGS)
            defects.append(
                Defect(
                    "data.unknown-file",
                    Weight.QUERY if layer else Weight.NOTE,
                    "it is not clear what the file is for (" + "; ".join(file.evidence[:4]) + ")",
                    "a name or an attribute that tells the role",
                    "Ask what it is, or give it a role; it was not screened",
                    file=file.name,
                )
            )
    return defects


def noughts(files: Sequence[Recognised]) -> list[Defect]:
    """Defects for drawings and drill files with bytes of nought: a part of them was lost.

    Sources: Gerber Layer Format Specification 3.1 (UTF-8 text; nought is no character of its
    commands); that a disk or a broken transfer leaves a run of noughts is common practice.
    """
    defects = []
    for file in files:
        if file.format not in (*_READABLE, *_LINKED) or file.data[:2] in _TWO_BYTE:
            continue
        # What pads a file behind its end is harmless; where the end is missing, that is told.
        text = file.data.rstrip(b"\0\x1a \r\n\t")
        at = text.find(b"\0")
        if at >= 0:
            defects.append(
                Defect(
                    "data.unreadable-file",
                    Weight.QUERY,
                    f"{text.count(0):,} bytes of nought stand in the text",
                    "text without any",
                    "A part of it may be lost: ask for the file again; the rest was read",
                    file=file.name,
                    line=1 + file.data.count(b"\n", 0, at),
                )
            )
    return defects


_TWO_BYTE = (b"\xff\xfe", b"\xfe\xff")  # text of two bytes a letter says so at its start


def job_contradictions(files: Sequence[Recognised]) -> list[Defect]:
    """Defects for files whose own attribute says other than the job file."""
    defects = []
    for file in files:
        own = [c for c in file.clues if c.source is Source.ATTRIBUTE]
        listed = [c for c in file.clues if c.source is Source.JOB]
        if own and listed:
            a, b = own[0], listed[0]
            if (a.function, a.side, a.number) != (b.function, b.side, b.number):
                defects.append(
                    Defect(
                        "data.job-contradiction",
                        Weight.QUERY,
                        f"{a.sentence}, but {b.sentence}",
                        "the same file function in both",
                        "Ask which is right; the file's own attribute was used",
                        file=file.name,
                    )
                )
    return defects


def anything_recognised(files: Sequence[Recognised]) -> bool:
    """Whether at least one file can take part in making a board."""
    return any(
        f.format in _READABLE or f.format in _LINKED or f.function in FABRICATION for f in files
    )


def role_of(file: Recognised, number: int | None, count: int, span: tuple[int, int] | None) -> Role:
    """The final role of a file.

    The only conductor of a single-sided board keeps its side beside its number.
    """
    if file.function in COPPER:
        return Role(file.function, side=file.side if count == 1 else None, layer=number)
    if file.function in DRILLED:
        return Role(file.function, span=span, plating=file.plating)
    if file.function in (Function.MASK, Function.LEGEND, Function.PASTE):
        return Role(file.function, side=file.side)
    return Role(file.function)
