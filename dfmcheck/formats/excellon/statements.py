"""Header statements of a drill file, read with ``grammars/excellon_header.lark``."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any

from dfmcheck.resources import data_folder


@dataclass(frozen=True, slots=True)
class Units:
    """INCH, METRIC, M71 or M72 with what stands behind it; None where nothing does.

    ``suppressed`` names the zeros that are left out: ``leading`` (TZ) or ``trailing`` (LZ).
    """

    unit: str
    suppressed: str | None = None
    integers: int | None = None
    decimals: int | None = None


@dataclass(frozen=True, slots=True)
class ToolLine:
    """``T..`` with its parameters by letter; ``digits`` is the number as written."""

    digits: str
    parameters: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Increments:
    on: bool


@dataclass(frozen=True, slots=True)
class Fmat:
    version: int


@dataclass(frozen=True, slots=True)
class Marker:
    """``begin``, ``end`` or ``setting``: no effect on the image."""

    name: str


Statement = Units | ToolLine | Increments | Fmat | Marker


_NUMBER = r"[+-]?(?:\d{1,15}\.?\d{0,15}|\.\d{1,15})"
_PARAMETER = re.compile(rf",?([CFSRBHZDQU])({_NUMBER})")
_COMMON = re.compile(
    rf"T(?P<tool>{_NUMBER})(?P<parameters>(?:,?[CFSRBHZDQU]{_NUMBER})*)"
    rf"|(?P<unit>INCH|METRIC|M7[12])(?P<form>(?:,(?:LZ|TZ|0{{1,9}}\.0{{1,9}}))*)"
    rf"|FMAT,(?P<fmat>{_NUMBER})"
)
"""What nearly every header is made of. The grammar reads these as well; to load it for them
takes longer than reading all the drill files of a board."""


@lru_cache(maxsize=4096)
def parse_statement(line: str) -> Statement | None:
    """Read one statement; None when the line is not one the grammar knows.

    Examples
    --------
    >>> parse_statement("METRIC,TZ,000.000")
    Units(unit='mm', suppressed='leading', integers=3, decimals=3)
    >>> parse_statement("T1C.015F095S3").parameters["C"]
    '.015'
    >>> parse_statement("HELLO") is None
    True
    """
    found = _COMMON.fullmatch(line)
    if found is None:
        return read_by_grammar(line)
    if found["tool"] is not None:
        return ToolLine(found["tool"], dict(_PARAMETER.findall(found["parameters"])))
    if found["unit"] is not None:
        return units_of(found["unit"], found["form"].split(",")[1:])
    return Fmat(int(float(found["fmat"])))


def units_of(word: str, form: Iterable[str]) -> Units:
    """The unit, and what the words behind it say of its numbers; of repeats the last counts."""
    suppressed: str | None = None
    integers: int | None = None
    decimals: int | None = None
    for item in form:
        if item in ("LZ", "TZ"):
            suppressed = "trailing" if item == "LZ" else "leading"
        else:
            before, _, behind = item.partition(".")
            integers, decimals = len(before), len(behind)
    return Units("inch" if word in ("INCH", "M72") else "mm", suppressed, integers, decimals)


@cache
def _parser() -> Callable[[str], Statement | None]:
    from lark import Lark, Transformer
    from lark.exceptions import LarkError

    class Build(Transformer[Any, Statement]):
        def begin(self, _: list[Any]) -> Statement:
            return Marker("begin")

        def end(self, _: list[Any]) -> Statement:
            return Marker("end")

        def setting(self, _: list[Any]) -> Statement:
            return Marker("setting")

        def fmat(self, items: list[Any]) -> Statement:
            return Fmat(int(float(items[0])))

        def increments(self, items: list[Any]) -> Statement:
            return Increments(not items or str(items[0]) == "ON")

        def parameter(self, items: list[Any]) -> tuple[str, str]:
            return str(items[0]), str(items[1])

        def tool(self, items: list[Any]) -> Statement:
            return ToolLine(str(items[0]), dict(items[1:]))

        def units(self, items: list[Any]) -> Statement:
            return units_of(str(items[0]), map(str, items[1:]))

    text = (data_folder("grammars") / "excellon_header.lark").read_text(encoding="utf-8")
    parser = Lark(text, parser="lalr", transformer=Build())

    def read(line: str) -> Statement | None:
        try:
            return parser.parse(line)  # type: ignore[return-value]
        except LarkError:
            return None

    return read


def read_by_grammar(line: str) -> Statement | None:
    """The same by the grammar alone, which knows the rarer statements too."""
    return _parser()(line)
