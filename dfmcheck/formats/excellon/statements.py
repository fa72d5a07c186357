"""Header statements of a drill file, read with ``grammars/excellon_header.lark``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any

from lark import Lark, Transformer
from lark.exceptions import LarkError

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


class _Build(Transformer[Any, Statement]):
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
        unit = "inch" if str(items[0]) in ("INCH", "M72") else "mm"
        suppressed: str | None = None
        integers: int | None = None
        decimals: int | None = None
        for item in map(str, items[1:]):
            if item in ("LZ", "TZ"):
                suppressed = "trailing" if item == "LZ" else "leading"
            else:
                before, _, behind = item.partition(".")
                integers, decimals = len(before), len(behind)
        return Units(unit, suppressed, integers, decimals)


@cache
def _parser() -> Lark:
    text = (data_folder("grammars") / "excellon_header.lark").read_text(encoding="utf-8")
    return Lark(text, parser="lalr", transformer=_Build())


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
    try:
        return _parser().parse(line)  # type: ignore[return-value]
    except LarkError:
        return None
