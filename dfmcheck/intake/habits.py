"""File-name habits: what the ending and the words of a file name say about its role.

Common practice throughout; no standard governs names. The tables are data: a new habit is a
new row. Layers have no language of their own, so the same words are also looked up in layer
names and comments inside files (:func:`read_words`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePosixPath

from dfmcheck.terms import Function, Plating, Side

TOP, BOTTOM = Side.TOP, Side.BOTTOM


@dataclass(frozen=True, slots=True)
class Habit:
    """What a name says; ``number`` is a conductor number, ``absolute`` when counted from the top.

    ``mechanical`` marks a drawing layer that often holds the profile as well.
    """

    function: Function | None
    side: Side | None = None
    confidence: float = 0.9
    number: int | None = None
    absolute: bool = False
    plating: Plating | None = None
    mechanical: bool = False
    words: str = ""


_F = Function
# Ending (without the dot, lower case, whole) → function, side, confidence.
_ENDINGS: tuple[tuple[str, Function, Side | None, float], ...] = (
    (r"gtl|cmp|top", _F.CONDUCTOR, TOP, 0.92),
    (r"gbl|sol|bot", _F.CONDUCTOR, BOTTOM, 0.92),
    (r"g\d{1,2}|gl\d{1,2}|ly\d{1,2}|gi\d{1,2}|in\d{1,2}", _F.CONDUCTOR, None, 0.9),
    (r"gp\d{1,2}", _F.PLANE, None, 0.9),
    (r"gts|stc|tsm|smt", _F.MASK, TOP, 0.92),
    (r"gbs|sts|bsm|smb", _F.MASK, BOTTOM, 0.92),
    (r"gto|plc|tsk|sst", _F.LEGEND, TOP, 0.92),
    (r"gbo|pls|bsk|ssb", _F.LEGEND, BOTTOM, 0.92),
    (r"gtp|crc|tsp|spt", _F.PASTE, TOP, 0.92),
    (r"gbp|crs|bsp|spb", _F.PASTE, BOTTOM, 0.92),
    (r"gko|gml|oln|out|bor", _F.PROFILE, None, 0.8),
    (r"gpt|gpb", _F.DOCUMENT, None, 0.85),
    (r"gm\d{0,2}", _F.DOCUMENT, None, 0.55),
    (r"gd\d{0,2}|gg\d{0,2}|gdd|gdg", _F.DOCUMENT, None, 0.8),
    (r"drl|xln|exc|xnc|tap|ncd|cnc|nc|drd|dri|drill|hol", _F.DRILL, None, 0.85),
    (r"rou|rout|mil|rte", _F.ROUT, None, 0.85),
    (r"gbrjob", _F.JOB, None, 0.95),
    (r"ipc|356|d356|356a|ipc356|net", _F.NETLIST, None, 0.8),
    (r"apr|apt|app|apertures?|dcode", _F.APERTURES, None, 0.85),
)
_ENDING_TABLE = tuple((re.compile(p), f, s, c) for p, f, s, c in _ENDINGS)
_REMARKS = {"gpt": "pad master, top", "gpb": "pad master, bottom", "gko": "keep-out or profile"}

# Short words that stand for function and side at once.
_SHORT: tuple[tuple[str, Function, Side, float], ...] = (
    (r"smt|smc|tsm|tmask|tmsk|stc|tstop", _F.MASK, TOP, 0.8),
    (r"smb|sms|bsm|bmask|bmsk|sts|bstop", _F.MASK, BOTTOM, 0.8),
    (r"sst|ssc|tslk|tsilk|tss|plc|sstop", _F.LEGEND, TOP, 0.8),
    (r"ssb|sss|bslk|bsilk|bss|pls", _F.LEGEND, BOTTOM, 0.8),
    (r"spt|spc|tsp|tpaste|pmt|crc", _F.PASTE, TOP, 0.8),
    (r"spb|sps|bsp|bpaste|pmb|crs", _F.PASTE, BOTTOM, 0.8),
    (r"tcu|fcu|gtl", _F.CONDUCTOR, TOP, 0.85),
    (r"bcu|gbl", _F.CONDUCTOR, BOTTOM, 0.85),
)
_SHORT_TABLE = tuple((re.compile(p), f, s, c) for p, f, s, c in _SHORT)

# Words → meaning. "weak" words count only beside a function word.
_WORDS: tuple[tuple[str, str], ...] = (
    (r"top|primary|prim|prm|front|upper", "top"),
    (r"bottom|bot|btm|secondary|sec|back|lower", "bottom"),
    (r"component|comp|f|t|cs", "weak-top"),
    (r"b|ss", "weak-bottom"),
    (r"mask|msk|resist|stop", "mask"),
    (r"solder|sold|sm", "solder"),
    (r"silk|silks|silkscreen|legend|slk|overlay|ident|nomenclature|screen", "legend"),
    (r"paste|pst|cream|stencil|pastemask", "paste"),
    (r"copper|cu|etch|signal|sig|conductors?|traces?|circuit|circuitry", "copper"),
    (r"outlines?|profile|edges?|contour|border|perimeter|cutout", "profile"),
    (r"drills?|holes?|pth|npth|drl|via|vias|slots?|plated|unplated|nonplated", "drill"),
    (r"rout|route|routing|mill|milling", "rout"),
    (r"vcuts?|vscores?|scores?|scoring", "score"),
    (
        r"fab|fabrication|assy|assembly|asm|drawing|drawings|dwg|map|readme|bom|courtyard|crtyd|notes?|pad|master"
        r"|stackup|pads|padmaster|placement|centroid|drillmap|guide|license|adhesive|glue|margin"
        r"|comments?|report|legendmap|courtyards|keepout|chart|table|detail",
        "document",
    ),
    (r"mechanical|mech|dimensions?|user", "mechanical"),
    (r"gnd|ground|vcc|vdd|vss|pwr|power|plane|pgp|supply", "supply"),
    (r"inner|internal|inr|int|in|mid|midlayer|group", "inner"),
    (r"layer|lyr|ly|l|lay", "layer"),
    (r"jumpers?", "jumper"),
    (r"netlist|ipc", "netlist"),
    (r"non|un|np|not|no", "not"),
)
_WORD_TABLE = tuple((re.compile(p), tag) for p, tag in _WORDS)
# Words that are often glued together without a separator or capital.
_GLUE = (
    *("top", "bottom", "bot", "btm", "primary", "secondary", "component", "side", "board"),
    *("solder", "mask", "resist", "stop", "silkscreen", "silk", "screen", "legend"),
    *("overlay", "paste", "copper", "cu", "etch", "signal", "sig", "layer", "lyr", "ly", "l"),
    *("inner", "internal", "int", "mid", "in", "group", "plane", "power", "ground", "gnd", "pwr"),
    *("vcc", "vdd", "outline", "profile", "edge", "cuts", "nc", "drill", "holes", "hole"),
    *("round", "slot", "unplated", "plated", "non", "npth", "pth", "route", "rout", "gerber"),
    *("assembly", "assy", "asm", "fab"),
)
_LONGEST_FIRST = "|".join(sorted(_GLUE, key=len, reverse=True))
_GLUED = re.compile(rf"(?:{_LONGEST_FIRST}|\d++)++")  # possessive: no way back, no slow names
_GLUE_PART = re.compile(rf"{_LONGEST_FIRST}|\d+")
_INNER = re.compile(r"inner|internal|inr|int|in|mid|midlayer|group")
_SIDE_WORDS = re.compile(r"\b(comp|component|solder|sold) side\b")
_SPLIT = re.compile(r"[^A-Za-z0-9]+|(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_SPAN = re.compile(r"(?:^|[^0-9A-Za-z])L?(\d{1,2})[-_]L?(\d{1,2})$", re.I)


def words_of(text: str) -> tuple[str, ...]:
    """Lower-case words of a name; known words glued together are taken apart.

    Examples
    --------
    >>> words_of("Board_TopSolderMask")
    ('board', 'top', 'solder', 'mask')
    >>> words_of("lyr10_bottommask")
    ('lyr', '10', 'bottom', 'mask')
    """
    found: list[str] = []
    for piece in _SPLIT.split(text):
        word = piece.casefold()
        if not word:
            continue
        if _GLUED.fullmatch(word):
            found += _GLUE_PART.findall(word)
        else:
            found.append(word)
    return tuple(found)


def read_ending(name: str) -> Habit | None:
    """What the ending of a file name says, or None.

    Examples
    --------
    >>> read_ending("board.GTL").side
    <Side.TOP: 'top'>
    """
    ending = PurePosixPath(name).suffix.lstrip(".").casefold()
    for pattern, function, side, confidence in _ENDING_TABLE:
        if pattern.fullmatch(ending):
            digits = re.search(r"(?<!\d)\d{1,4}$", ending)
            return Habit(
                function,
                side,
                confidence,
                number=int(digits[0]) if digits and function in (_F.CONDUCTOR, _F.PLANE) else None,
                mechanical=ending.startswith("gm"),
                words=_REMARKS.get(ending, ""),
            )
    return None


def read_span(stem: str) -> tuple[int, int] | None:
    """A drill span at the end of a name: ``…-1-4``, ``…_L1-L6``; None where there is none."""
    match = _SPAN.search(stem)
    if match is None or not 1 <= int(match[1]) < int(match[2]) <= 64:
        return None
    return int(match[1]), int(match[2])


def read_words(text: str, ignore: frozenset[str] = frozenset()) -> Habit | None:
    """What the words of a name, a layer name or a line of text say, or None.

    Parameters
    ----------
    text : str
    ignore : frozenset of str
        Words without meaning here, such as the product's name common to all files.

    Returns
    -------
    Habit or None

    Examples
    --------
    >>> read_words("panda-F_Paste").function, read_words("L2_GND").number
    (<Function.PASTE: 'paste'>, 2)
    """
    words = [w for w in words_of(text) if w not in ignore]
    tags: dict[str, str] = {}
    for word in words:
        for pattern, function, short_side, confidence in _SHORT_TABLE:
            if pattern.fullmatch(word):
                return Habit(function, short_side, confidence, words=word)
    for word in words:
        for pattern, tag in _WORD_TABLE:
            if pattern.fullmatch(word):
                tags.setdefault(tag, word)
    if match := _SIDE_WORDS.search(" ".join(words)):
        tags.pop("solder", None)
        tags["top" if match[1].startswith("comp") else "bottom"] = match[0]
    side: Side | None = _side(tags)
    strong = "top" in tags or "bottom" in tags
    number, absolute = _number(words)
    said = " ".join(dict.fromkeys(tags.values()))

    def habit(function: Function, confidence: float, side: Side | None = side) -> Habit:
        counted = function is _F.CONDUCTOR
        return Habit(function, side, confidence, number if counted else None, absolute, words=said)

    if "drill" in tags and "document" not in tags and "legend" not in tags:
        return Habit(_F.DRILL, None, 0.85, plating=_plating(words), words=said)
    if "document" in tags:
        drawn = re.match(r"fab|ass|asm|dwg|draw", tags["document"]) is not None
        return Habit(_F.DOCUMENT, None, 0.85, mechanical=drawn, words=said)
    if "jumper" in tags:
        return Habit(_F.UNKNOWN, None, 0.5, words=said)
    if "netlist" in tags:
        return Habit(_F.NETLIST, None, 0.5, words=said)
    if "paste" in tags:
        return habit(_F.PASTE, 0.9 if side else 0.6)
    if "mask" in tags or ("solder" in tags and strong and "copper" not in tags):
        return habit(_F.MASK, 0.9 if side and "mask" in tags else 0.65)
    if "legend" in tags:
        return habit(_F.LEGEND, 0.9 if side else 0.6)
    if "profile" in tags:
        return Habit(_F.PROFILE, None, 0.9, words=said)
    if "mechanical" in tags:
        return Habit(_F.DOCUMENT, None, 0.55, mechanical=True, words=said)
    if "score" in tags:
        return Habit(_F.SCORE, None, 0.7, words=said)
    if "rout" in tags:
        return Habit(_F.ROUT, None, 0.7, plating=_plating(words), words=said)
    if "inner" in tags and "plane" in words and number is not None:
        return Habit(_F.PLANE, None, 0.8, number, words=said)
    if "copper" in tags:
        return habit(_F.CONDUCTOR, 0.9 if side or number else 0.6)
    if number is not None and ("layer" in tags or "inner" in tags):
        sure = 0.5 if "group" in words else 0.85
        return habit(_F.CONDUCTOR, sure, side if strong else None)
    if strong:
        return habit(_F.CONDUCTOR, 0.7)
    if "supply" in tags:
        return habit(_F.CONDUCTOR, 0.65, None)
    return None


def _side(tags: dict[str, str]) -> Side | None:
    if ("top" in tags) != ("bottom" in tags):
        return TOP if "top" in tags else BOTTOM
    if "top" in tags:
        return None
    if ("weak-top" in tags) != ("weak-bottom" in tags):
        return TOP if "weak-top" in tags else BOTTOM
    return None


def _number(words: list[str]) -> tuple[int | None, bool]:
    for at, (word, following) in enumerate(pairwise(words)):
        if re.fullmatch(r"\d{1,4}", following) and 0 < int(following) <= 64:
            # "inner layer 2" may be the second inner layer or layer 2.
            inner = any(_INNER.fullmatch(w) for w in words[:at])
            if re.fullmatch(r"layer|lyr|ly|l|lay", word):
                return int(following), not inner
            if _INNER.fullmatch(word) or word in ("signal", "sig") or (inner and word == "plane"):
                return int(following), False
    return None, False


def _plating(words: list[str]) -> Plating | None:
    joined = " ".join(words)
    if re.search(r"\b(npth|unplated|nonplated|(?:non|un|np|not|no) plated)\b", joined):
        return Plating.UNPLATED
    if re.search(r"\b(pth|plated)\b", joined):
        return Plating.PLATED
    return None


def common_words(names: list[str]) -> frozenset[str]:
    """Words that occur in every name: the product's name, not the layer's.

    Fewer than three names say nothing.
    """
    if len(names) < 3:
        return frozenset()
    sets = [set(words_of(PurePosixPath(n).stem)) for n in names]
    return frozenset(set.intersection(*sets))
