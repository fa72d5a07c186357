"""Clues inside a file: attributes, comments, layer names, drill headers, what is drawn.

Works on the first 64 kB; only the count of draws and flashes looks at the whole file, by
``bytes.count``. Attribute values: Gerber Layer Format Specification 5.6.3 (.FileFunction).
"""

from __future__ import annotations

import re
from collections import Counter

from dfmcheck.intake.habits import Habit, read_words
from dfmcheck.intake.package import Clue, Source, Stack
from dfmcheck.terms import Function, Plating, Side

_F = Function
_ATTRIBUTE = re.compile(r"(?:%|#@!\s*%?)TF\.?([\w$.]+)((?:,[^*%\n]*)?)")
_ESCAPE = re.compile(r"\\u([0-9A-Fa-f]{4})|\\U([0-9A-Fa-f]{8})")
_PHYSICAL_ORDER = re.compile(r"(?m)^G0?4\s*Layer_Physical_Order=(\d{1,4})\b")
_CLASS_LAYER = re.compile(r"(?m)^G0?4\s+Layer:\s+([A-Z ]+)/([^*\n]+?)\s*\*")
_PLAIN_LAYER = re.compile(r"(?m)^G0?4\s+Layer(?: Name)?:\s+([^*/\n]+?)\s*\*")
_TITLE = re.compile(r"(?m)^G0?4\s+Title:\s+[^*,\n]*,\s*([^*\n]+?)\s*\*")
_LEVEL_NAME = re.compile(r"%LN([^*%\n]+)\*%")
_IMAGE_NAME = re.compile(r"%IN\s*\"?([^*%\"\n]+)\"?\*%")
_DRILL_LAYERS = re.compile(r"(?mi)\blayers?\s+(\S.*?)\s+(?:and|to)\s+(\S.*?)\s*$")
_TOOL_PLATING = re.compile(r"(?mi)^;.*?\b(NON[_ -]?PLATED|PLATED)\b.*\bQuantity\b")
_TYPE_OR_TOOL = re.compile(r"(?mi)^;\s*TYPE\s*=\s*(NON[_ -]?PLATED|PLATED)|^T0*[1-9]\d*.*?C[\d.]")

_BY_FUNCTION: dict[str, tuple[Function, str]] = {
    "soldermask": (_F.MASK, ""),
    "legend": (_F.LEGEND, ""),
    "paste": (_F.PASTE, ""),
    "solderpaste": (_F.PASTE, ""),
    "profile": (_F.PROFILE, ""),
    "vcut": (_F.SCORE, ""),
    "depthrout": (_F.ROUT, "a depth rout"),
    "jobinfo": (_F.JOB, ""),
    "pads": (_F.DOCUMENT, "a pad master"),
    "component": (_F.DOCUMENT, "component data"),
    "drillmap": (_F.DOCUMENT, "a drill map"),
    "assemblydrawing": (_F.DOCUMENT, "an assembly drawing"),
    "fabricationdrawing": (_F.DOCUMENT, "a fabrication drawing"),
    "arraydrawing": (_F.DOCUMENT, "an array drawing"),
    "vcutmap": (_F.DOCUMENT, "a V-score map"),
    "otherdrawing": (_F.DOCUMENT, "a drawing"),
    "drawing": (_F.DOCUMENT, "a drawing"),
    "keep-out": (_F.DOCUMENT, "a keep-out layer"),
    "other": (_F.DOCUMENT, "other data"),
}


def attributes(head: str) -> dict[str, tuple[str, ...]]:
    """File attributes, also when written in comments; the first definition stands.

    Examples
    --------
    >>> attributes("G04 #@! TF.FileFunction,Copper,L2,Bot*")
    {'FileFunction': ('Copper', 'L2', 'Bot')}
    """
    found: dict[str, tuple[str, ...]] = {}
    for name, values in _ATTRIBUTE.findall(head):
        fields = tuple(_unescape(v.strip()) for v in values.split(",")[1:])
        found.setdefault(name, fields)
    return found


def _unescape(text: str) -> str:
    def char(match: re.Match[str]) -> str:
        code = int(match[1] or match[2], 16)
        return chr(code) if code < 0x110000 else match[0]

    return _ESCAPE.sub(char, text)


def function_clue(fields: tuple[str, ...], source: Source, said_by: str) -> Clue | None:
    """Clue from the fields of a .FileFunction value; None when there are none.

    Examples
    --------
    >>> clue = function_clue(("NonPlated", "1", "4", "NPTH", "Rout"), Source.ATTRIBUTE, "it")
    >>> clue.function, clue.span
    (<Function.ROUT: 'rout'>, ('1', '4'))
    """
    if not fields or not fields[0]:
        return None
    kind = fields[0].casefold()
    rest = [f.casefold() for f in fields[1:]]
    said = f"{said_by} says {','.join(fields)[:120]}"
    side = Side.TOP if "top" in rest else Side.BOTTOM if "bot" in rest or "bottom" in rest else None
    if kind == "copper":
        digits = re.fullmatch(r"l(\d{1,4})", rest[0]) if rest else None
        function = _F.PLANE if "plane" in rest else _F.CONDUCTOR
        number = int(digits[1]) if digits else None
        return Clue(source, said, 0.98, function, side, number, absolute=True)
    if kind in ("plated", "nonplated", "mixedplating"):
        function = _F.ROUT if rest[-1:] in (["rout"], ["route"]) else _F.DRILL
        span = (
            (rest[0], rest[1])
            if len(rest) > 1 and rest[0].isdigit() and rest[1].isdigit()
            else None
        )
        plating = {"plated": Plating.PLATED, "nonplated": Plating.UNPLATED}.get(kind)
        return Clue(source, said, 0.98, function, span=span, plating=plating)
    if kind in _BY_FUNCTION:
        function, meaning = _BY_FUNCTION[kind]
        said += f", {meaning}" if meaning else ""
        return Clue(source, said, 0.98, function, side)
    return Clue(source, f"{said}, which is not a layer dfmcheck screens", 0.9, _F.UNKNOWN)


def habit_clue(
    habit: Habit | None, source: Source, sentence: str, ceiling: float = 1.0
) -> Clue | None:
    """Turn what words say into a clue."""
    if habit is None:
        return None
    return Clue(
        source,
        sentence,
        min(habit.confidence, ceiling),
        habit.function,
        habit.side,
        habit.number,
        habit.absolute,
        plating=habit.plating,
    )


def gerber_clues(head: str) -> list[Clue]:
    """Clues in the comments and names of a Gerber file."""
    clues: list[Clue] = []
    if match := _PHYSICAL_ORDER.search(head):
        said = f"a comment gives it physical order {match[1]} among the conductors"
        clues.append(
            Clue(Source.CONTENT, said, 0.93, _F.CONDUCTOR, number=int(match[1]), absolute=True)
        )
    clues += _class_layer_clues(head)
    found: list[tuple[str, str, float]] = []
    if match := _TITLE.search(head):
        found.append(("its title", match[1], 0.7))
    if match := _PLAIN_LAYER.search(head):
        found.append(("a comment on its layer", match[1], 0.85))
    names = [n for n in _LEVEL_NAME.findall(head) if read_words(n)]
    if names:
        found.append(("its level name (LN)", names[0], 0.8))
    if match := _IMAGE_NAME.search(head):
        found.append(("its image name (IN)", match[1].rsplit(".", 1)[0], 0.6))
    for what, text, ceiling in found:
        clue = habit_clue(read_words(text), Source.CONTENT, f"{what} reads '{text}'", ceiling)
        if clue is not None:
            clues.append(clue)
    return clues


def _class_layer_clues(head: str) -> list[Clue]:
    """Comments of the form ``Layer: CLASS/SUBCLASS``, one for each drawing class in the file."""
    pairs = _CLASS_LAYER.findall(head)
    if not pairs:
        return []
    etched = {sub for group, sub in pairs if group == "ETCH"}
    subs = Counter(sub for group, sub in pairs if not group.endswith(("KEEPOUT", "REGION")))
    text = " ".join(subs)

    def clue(said: str, confidence: float, function: Function, side: Side | None) -> list[Clue]:
        return [Clue(Source.CONTENT, f"its comments list {said}", confidence, function, side)]

    if len(etched) == 1:
        (name,) = etched
        side = {"TOP": Side.TOP, "BOTTOM": Side.BOTTOM}.get(name.upper())
        said = f"its comments list ETCH/{name}"
        return [Clue(Source.CONTENT, said, 0.9, _F.CONDUCTOR, side, layer_name=name)]
    for word, function in (
        ("NCLEGEND", _F.DOCUMENT),
        ("NCDRILL_LEGEND", _F.DOCUMENT),
        ("SOLDERMASK", _F.MASK),
        ("PASTEMASK", _F.PASTE),
        ("SILK", _F.LEGEND),
        ("ASSEMBLY", _F.DOCUMENT),
        ("ASSY", _F.DOCUMENT),
    ):
        if word not in text:
            continue
        if function is _F.DOCUMENT:
            return clue(word, 0.8, function, None)
        sides = {s for s in ("TOP", "BOTTOM") if re.search(rf"{word}\w*_{s}", text)}
        if len(sides) == 1:
            (side_word,) = sides
            return clue(f"{word}_{side_word}", 0.85, function, Side(side_word.lower()))
    if any("OUTLINE" in sub for sub in subs) and len(subs) == 1:
        return clue("only the outline", 0.9, _F.PROFILE, None)
    return []


def outline_remark(head: str) -> str:
    """Why a file may hold the board outline beside other things; "" when nothing says so."""
    for group, sub in _CLASS_LAYER.findall(head):
        if group == "BOARD GEOMETRY" and "OUTLINE" in sub:
            return f"its comments list {group}/{sub}"
    return ""


def layer_list(head: str) -> Stack | None:
    """Order of the conductors as one file's comments list them, top first, or None.

    Drawing classes that exist once for each conductor (keep-outs, regions) are listed in the
    order of the stack, from the bottom up or from the top down (observed, no standard).
    """
    groups: dict[str, list[str]] = {}
    for group, sub in _CLASS_LAYER.findall(head):
        if group.endswith(("KEEPOUT", "REGION")):
            groups.setdefault(group, []).append(sub)
    for group, subs in groups.items():
        upper = [s.upper() for s in subs]
        if "TOP" not in upper or "BOTTOM" not in upper:
            continue
        top, bottom = upper.index("TOP"), upper.index("BOTTOM")
        names = subs[bottom : top + 1][::-1] if bottom < top else subs[top : bottom + 1]
        if len(names) > 2:
            said = f"the comments list the conductors in the order {', '.join(names)} ({group})"
            return Stack(tuple(names), said, 0.75)
    return None


def drill_clues(head: str) -> list[Clue]:
    """Clues in the header of a drill file: plating of its tools, layers it joins."""
    clues: list[Clue] = []
    if match := _DRILL_LAYERS.search(head[:8192]):
        said = f"its header says layers {match[1]} to {match[2]}"
        clues.append(Clue(Source.CONTENT, said, 0.9, span=(match[1], match[2])))
    stated = {_plating(m) for m in _TOOL_PLATING.findall(head)}
    current = ""
    for match in _TYPE_OR_TOOL.finditer(head):
        if match[1]:
            current = match[1]
        elif current:
            stated.add(_plating(current))
    if len(stated) == 1:
        (plating,) = stated
        said = f"its header says all tools are {plating}"
        clues.append(Clue(Source.CONTENT, said, 0.9, plating=plating))
    elif stated:
        said = "its header names plated and unplated tools"
        clues.append(Clue(Source.CONTENT, said, 0.9, plating=Plating.UNKNOWN))
    return clues


def _plating(word: str) -> Plating:
    return Plating.UNPLATED if word.upper().startswith("NON") else Plating.PLATED


def excellon_clue(head: str) -> Clue:
    """What an Excellon file is when neither its name nor its comments say: drill or rout."""
    routed = len(re.findall(r"(?m)^M15\b", head))
    hits = len(re.findall(r"(?m)^[XY][+-]?[\d.]", head))
    if routed and not hits:
        return Clue(Source.CONTENT, "it holds routed paths and no hits", 0.7, _F.ROUT)
    return Clue(Source.CONTENT, "it holds drill tools and hits", 0.7, _F.DRILL)


def image_clue(data: bytes) -> Clue:
    """A guess from what is drawn, for a Gerber file about which nothing else speaks."""
    flashes = data.count(b"D03*") + data.count(b"D3*")
    draws = data.count(b"D01*") + data.count(b"D1*")
    regions = data.count(b"G36")
    said = f"it holds {draws} draws, {flashes} flashes and {regions} regions"
    if not flashes and not regions and 3 <= draws <= 200:
        return Clue(Source.CONTENT, f"{said}, as a profile would", 0.35, _F.PROFILE)
    if flashes and draws > flashes:
        return Clue(Source.CONTENT, f"{said}, as a conductor layer would", 0.3, _F.UNKNOWN)
    if flashes:
        return Clue(Source.CONTENT, f"{said}, as a mask or paste layer would", 0.3, _F.UNKNOWN)
    return Clue(Source.CONTENT, f"{said}, as a legend or a drawing would", 0.3, _F.UNKNOWN)
