"""Parameter and comment lines: units, aliases, and facts that comments state."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING

from dfmcheck.formats.limits import MOST_PARAMETERS, too_much
from dfmcheck.resources import data_folder
from dfmcheck.terms import Assumption, Defect, Weight

if TYPE_CHECKING:
    from lark import Lark

_THICKNESS = re.compile(
    r"board thickness\s*\(?\s*([a-z]*)\s*\)?\s*[:=]?\s*([\d.]+)\s*([a-z]*)", re.I
)
_CONDUCTORS = re.compile(
    r"number of (?:etch |copper |conductor |signal )*layers\s*[:=]?\s*(\d+)", re.I
)
_ALIAS = re.compile(r"NNAME(\S{1,9})\s+(\S.*)")
_UNIT = {
    "mil": 0.0254, "mils": 0.0254, "in": 25.4, "inch": 25.4, "inches": 25.4, "mm": 1.0,
    "millimeters": 1.0, "um": 0.001, "micron": 0.001, "microns": 0.001, "cm": 10.0,
}  # fmt: skip
_LONGEST = 300  # characters of a comment that are looked at
_KINDS = {"conductor", "plane", "signal", "mixed", "power"}
_SYSTEMS = {
    "CUST 0": ("inch", False), "CUST 1": ("mm", False), "CUST 2": ("inch", True),
    "SI": ("mm", False),
}  # fmt: skip


@cache
def grammar(name: str) -> Lark:
    """The parser of ``grammars/ipc356_<name>.lark``."""
    from lark import Lark

    path = data_folder("grammars") / f"ipc356_{name}.lark"
    return Lark(path.read_text(encoding="utf-8"), parser="lalr", start=name)


@dataclass(slots=True)
class Head:
    """Gathers what lines other than points say."""

    file: str
    unit: str = "inch"
    radians: bool = False
    stated: int = 0  # line of the unit, 0 for none
    aliases: dict[str, str] = field(default_factory=dict)
    comment_aliases: dict[str, str] = field(default_factory=dict)
    thickness: float | None = None
    conductors: int | None = None
    layers: list[tuple[str, str]] = field(default_factory=list)
    defects: list[Defect] = field(default_factory=list)
    assumptions: list[Assumption] = field(default_factory=list)
    _unknown: dict[str, tuple[int, int]] = field(default_factory=dict)
    _parameters: int = 0

    def parameter(self, text: str, line: int) -> None:
        """Take one ``P`` line; FormatError where they are without number."""
        self._parameters += 1
        if self._parameters > MOST_PARAMETERS:
            raise too_much(
                f"more than {MOST_PARAMETERS:,} parameter lines",
                f"at most {MOST_PARAMETERS:,}",
                self.file,
                line,
            )
        from lark.exceptions import LarkError

        text = text[:_LONGEST]
        try:
            tree = grammar("parameter").parse(text.rstrip())
        except LarkError:
            word = (text[1:].split() or [""])[0][:40]
            if word not in self._unknown and len(self._unknown) >= 100:
                word = "of many further names"
            count, first = self._unknown.get(word, (0, line))
            self._unknown[word] = (count + 1, first)
            return
        items = [None if item is None else str(item) for item in tree.children]
        if tree.data == "alias":
            alias, name = str(items[0]), str(items[1]).strip()
            self._alias(self.aliases, alias, name, line)
        elif tree.data == "units":
            self._units(items[0] or "", items[1] or "", line)

    def _alias(self, table: dict[str, str], alias: str, name: str, line: int) -> None:
        before = table.setdefault(alias, name)
        if before != name and len(self.defects) < 100:
            self.defects.append(
                Defect(
                    "data.illegal-construct", Weight.QUERY,
                    f"alias {alias} stands for {name} after it stood for {before}",
                    "one name for each alias", "The first is used; ask which one holds.",
                    self.file, line,
                )
            )  # fmt: skip

    def _units(self, system: str, digit: str, line: int) -> None:
        text = f"{system} {digit}".strip()
        known = _SYSTEMS.get("SI" if system == "SI" else text)
        if known is None:
            known = ("inch", False)
            self.assumptions.append(
                Assumption(
                    "units of the netlist", "0.0001 inch",
                    f"line {line} says UNITS {text or 'without a system'}, which no clause knows",
                    self.file, 0.6,
                )
            )  # fmt: skip
        if self.stated and known != (self.unit, self.radians):
            self.defects.append(
                Defect(
                    "data.illegal-construct", Weight.QUERY,
                    f"UNITS {text} contradicts line {self.stated}", "one unit for the whole file",
                    "The first is used; ask which one holds.", self.file, line,
                )
            )  # fmt: skip
            return
        self.unit, self.radians = known
        self.stated = self.stated or line

    def comment(self, text: str, line: int) -> None:
        """Take one ``C`` line: facts are kept with the line as their evidence."""
        body = " ".join(text[1:_LONGEST].split())
        if found := _ALIAS.match(body):
            self.comment_aliases.setdefault(found[1], found[2].strip())
        elif found := _THICKNESS.search(body):
            scale = _UNIT.get((found[1] or found[3]).lower())
            if scale and self.thickness is None:
                value = round(float(found[2].rstrip(".") or 0) * scale, 6)
                if 0 < value < 20:
                    self.thickness = value
                    self._fact("board thickness", f"{value:.4g} mm", body, line)
        elif found := _CONDUCTORS.search(body):
            if self.conductors is None:
                self.conductors = int(found[1])
                self._fact("number of conductor layers", found[1], body, line)
        else:
            self._layer(body.split())

    def _layer(self, words: list[str]) -> None:
        """A row of a layer table: name, material, kind, film, number counting up."""
        if len(words) < 3 or not words[-1].isdigit() or int(words[-1]) != len(self.layers) + 1:
            return
        kind = next((w for w in words[1:-1] if w.lower() in _KINDS), None)
        if kind is not None:
            self.layers.append((words[0], kind.lower()))

    def _fact(self, subject: str, value: str, text: str, line: int) -> None:
        self.assumptions.append(
            Assumption(
                f"{subject} (netlist)", value, f'comment in line {line}: "{text}"', self.file
            )
        )

    def finish(self, used: set[str], turned: bool) -> None:
        """Report what only shows at the end; ``used`` are net fields, ``turned`` any rotation."""
        for word, (count, first) in self._unknown.items():
            self.defects.append(
                Defect(
                    "data.unknown-command", Weight.NOTE,
                    f"{count}× parameter {word or 'without a name'} is not known and was skipped",
                    "parameters of IPC-D-356A", "Look at the line if it matters.",
                    self.file, first,
                )
            )  # fmt: skip
        if not self.stated:
            self.assumptions.append(
                Assumption(
                    "units of the netlist", "0.0001 inch, degrees",
                    "no UNITS parameter; this is the usual setting", self.file, 0.7,
                )
            )  # fmt: skip
        if self.radians and turned:
            self.assumptions.append(
                Assumption(
                    "rotation of netlist lands", "0.01 radian a count",
                    "UNITS CUST 2 asks for radians in three digits", self.file, 0.7,
                )
            )  # fmt: skip
        borrowed = [a for a in self.comment_aliases if a in used and a not in self.aliases]
        if borrowed:
            self.assumptions.append(
                Assumption(
                    "net names", f"{len(borrowed)} long names from comment lines",
                    f"comments of the form NNAME{borrowed[0]} {self.comment_aliases[borrowed[0]]} "
                    "and nets of that short name; no P NNAME says so",
                    self.file, 0.95,
                )
            )  # fmt: skip
        if self.layers:
            named = ", ".join(f"{name} ({kind})" for name, kind in self.layers)
            self.assumptions.append(
                Assumption(
                    "conductor layers (netlist)", named, "layer table in comments", self.file
                )
            )
            if self.conductors is None:
                self.conductors = len(self.layers)

    def name(self, text: str) -> str:
        """Full name of a net field: short names are written with or without NNAME before them."""
        for table in (self.aliases, self.comment_aliases):
            if text in table:
                return table[text]
            if text.startswith("NNAME") and text[5:] in table:
                return table[text[5:]]
        return text
