"""Executes the extended commands: apertures, attributes, transforms, blocks, repeats.

They are few, so they run one by one; the result is columns that say what is in force from
which word command on.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from dfmcheck.formats.gerber.apertures import build_aperture
from dfmcheck.formats.gerber.attributes import read_attribute
from dfmcheck.formats.gerber.blocks import OpenBlock, Repeat, too_deep, too_many
from dfmcheck.formats.gerber.coordinates import INCH, Units
from dfmcheck.formats.gerber.macros import Macro, read_macro
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.old import IMAGE_CODES, OldImage
from dfmcheck.formats.gerber.syntax import NUMBER
from dfmcheck.formats.limits import (
    MOST_APERTURES,
    MOST_ERASING,
    MOST_MACRO_BLOCKS,
    MOST_MACRO_NUMBERS,
    MOST_NAME,
    MOST_NESTING,
    MOST_REPEATS,
)
from dfmcheck.formats.records import Aperture
from dfmcheck.terms import Weight

_REPEAT = re.compile(rf"SR(?:X([0-9]{{1,9}})|Y([0-9]{{1,9}})|I({NUMBER})|J({NUMBER}))*\Z")
_REPEAT_PART = re.compile(rf"([XYIJ])({NUMBER})")
_STANDARD = re.compile(r"ADD[0-9]+[CROP](?:,|\Z)")
_BLOCK = re.compile(r"ABD([0-9]{1,9})\Z")
_NUMBER = re.compile(NUMBER + r"\Z")
_COMMENT = re.compile(r"\s*G0?4(?![0-9])(.*)", re.DOTALL)
_COMMENT_ATTRIBUTE = re.compile(r"\s*#@!\s*(T[FAOD].*)", re.DOTALL)
_MIRRORS = {"N": 0, "X": 1, "Y": 2, "XY": 3}


@dataclass(slots=True)
class Setup:
    """State of the extended commands while they run, and their results after.

    ``changes`` holds (command, dark, mirror, rotation, scale, net, pin, block): what is in
    force from that word command on. ``defined`` gives the command before which each aperture
    was defined.
    """

    notes: Notes
    units: Units
    apertures: list[Aperture] = field(default_factory=list)
    defined: list[int] = field(default_factory=list)
    macros: dict[str, Macro] = field(default_factory=dict)
    attributes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    comments: list[str] = field(default_factory=list)
    nets: dict[str, int] = field(default_factory=dict)
    pins: dict[tuple[str, str], int] = field(default_factory=dict)
    repeats: list[Repeat] = field(default_factory=list)
    blocks: int = 0
    old: OldImage = field(default_factory=OldImage)
    changes: list[tuple[int, bool, int, float, float, int, int, int]] = field(default_factory=list)
    _aperture_attributes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    _open: list[OpenBlock] = field(default_factory=list)
    _dark: bool = True
    _mirror: int = 0
    _rotation: float = 0.0
    _scale: float = 1.0
    _net: int = -1
    _pin: int = -1
    _flashes: int = 0
    _macro_numbers: int = 0
    _macro_blocks: int = 0

    def _change(self, command: int) -> None:
        block = self._open[-1].block if self._open else -1
        placed = (self._dark, self._mirror, self._rotation, self._scale)
        self.changes.append((command, *placed, self._net, self._pin, block))

    def comment(self, text: str, command: int) -> None:
        """A G04 comment, which may carry an attribute (specification 5.1.1)."""
        self.comments.append(text.strip())
        attribute = _COMMENT_ATTRIBUTE.match(text)
        if attribute:
            self._attribute(attribute[1].replace("\n", "").replace("\r", ""), command, None)

    def extended(self, text: str, command: int, line: int) -> None:
        """The commands between one pair of % signs; `line` is that of the first %."""
        parts = text.split("*")
        rest = parts.pop().strip()
        if rest:
            parts.append(rest)
            self.notes.illegal(
                Weight.NOTE,
                "an extended command without its '*'",
                "'*' before the closing '%'",
                "It was taken as complete; export again.",
                line,
            )
        parts = [part for part in parts if not self._is_comment(part, line)]
        at = 0
        while at < len(parts):
            part = parts[at].replace("\r", "").replace("\n", "").strip()
            at += 1
            if part.startswith("AM"):
                body = at
                while at < len(parts) and not _starts_command(parts[at]):
                    at += 1
                texts = parts[body:at]
                name = "".join(part[2:].split())
                if name in self.macros:
                    self.notes.illegal(
                        Weight.NOTE,
                        f"macro '{name}' is defined twice",
                        "one definition of each name",
                        "Each use takes the last before it; check the apertures.",
                        line,
                    )
                room = max(MOST_MACRO_BLOCKS - self._macro_blocks, 0)
                self._macro_blocks += len(texts)
                if len(texts) > room:
                    self.notes.illegal(
                        Weight.HOLD,
                        f"aperture macros hold {self._macro_blocks:,} blocks",
                        f"at most {MOST_MACRO_BLOCKS:,} in all of them",
                        "Those from there on were left out; ask for a sensible file.",
                        line,
                    )
                self.macros[name] = read_macro(name, texts[:room], line, self.notes)
            elif part:
                self._one(part, command, line)

    def _is_comment(self, part: str, line: int) -> bool:
        comment = _COMMENT.match(part)
        if comment is None:
            return False
        self.comments.append(comment[1].strip())
        self.notes.illegal(
            Weight.NOTE,
            "a comment (G04) between '%' signs",
            "comments outside extended commands",
            "It was passed over; export again.",
            line,
        )
        return True

    def _one(self, part: str, command: int, line: int) -> None:
        code = part[:2]
        if code in ("TF", "TA", "TO", "TD"):
            self._attribute(part, command, line)
            return
        if code == "LN" or code == "IN":
            self.comments.append(part)
            self.notes.deprecated(
                Weight.NOTE, f"{code} (a name)", line, "It has no effect on the image."
            )
            return
        text = "".join(part.split())
        if code == "AD":
            self._define(text, command, line)
        elif code in ("LP", "LM", "LR", "LS"):
            self._transform(code, text, command, line)
        elif code == "SR":
            self._repeat(text, command, line)
        elif code == "AB":
            self._block(text, command, line)
        elif code in ("FS", "MO"):
            pass  # read beforehand, in coordinates.py
        elif code in IMAGE_CODES:
            unit = INCH if self.units.inch_at(command) else 1.0
            self.old.read(text, unit, line, self.notes)
        elif code == "IF":
            self.notes.deprecated(
                Weight.HOLD,
                f"'{text[:40]}' includes another file",
                line,
                "That file was not read, so the image is not complete; ask for one whole file.",
            )
        elif re.fullmatch(r"[GDM][0-9]+", text):
            self.notes.illegal(
                Weight.QUERY,
                f"word command '{text[:40]}' between '%' signs",
                "extended commands only between '%' signs",
                "It was not executed; export again.",
                line,
            )
        else:
            self.notes.unknown(text, line)

    def _attribute(self, text: str, command: int, line: int | None) -> None:
        read = read_attribute(text)
        if read is None:
            self.notes.unknown(text, line)
            return
        kind, name, fields = read
        if kind == "TF":
            self.attributes[name.removeprefix(".")] = fields
        elif kind == "TA":
            self._aperture_attributes[name] = fields
        elif kind == "TO":
            fields = tuple([self._kept(f, line) for f in fields])
            if name == ".N":
                net = self._kept(",".join(fields), line)
                self._net = self.nets.setdefault(net, len(self.nets)) if net else -1
                self._change(command)
            elif name == ".P" and len(fields) >= 2:
                pin = (fields[0], fields[1])
                self._pin = self.pins.setdefault(pin, len(self.pins))
                self._change(command)
        else:
            if not name:
                self._aperture_attributes.clear()
            self._aperture_attributes.pop(name, None)
            if name in ("", ".N") and self._net >= 0:
                self._net = -1
                self._change(command)
            if name in ("", ".P") and self._pin >= 0:
                self._pin = -1
                self._change(command)

    def _kept(self, text: str, line: int | None) -> str:
        """A net or pin name, cut where it is of absurd length."""
        if len(text) <= MOST_NAME:
            return text
        self.notes.illegal(
            Weight.QUERY,
            f"a net or pin name of {len(text):,} characters",
            f"at most {MOST_NAME:,}",
            "It was cut there, so names may coincide; export again.",
            line,
        )
        return text[:MOST_NAME]

    def _function(self) -> str:
        return ",".join(self._aperture_attributes.get(".AperFunction", ()))

    def _add_aperture(self, aperture: Aperture, command: int) -> int:
        self.apertures.append(aperture)
        self.defined.append(command)
        return len(self.apertures) - 1

    def _define(self, text: str, command: int, line: int) -> None:
        if len(self.apertures) >= MOST_APERTURES:
            self.notes.illegal(
                Weight.HOLD,
                "the file defines too many apertures",
                f"at most {MOST_APERTURES:,}",
                "Those from there on were left out; ask for a sensible file.",
                line,
            )
            return
        if self._macro_numbers > MOST_MACRO_NUMBERS and not _STANDARD.match(text):
            self._too_many_numbers(line)
            return
        unit = INCH if self.units.inch_at(command) else 1.0
        aperture = build_aperture(text, self.macros, unit, self._function(), line, self.notes)
        if aperture is None:
            return
        # to erase takes as long as to draw a hundred points
        dear = MOST_MACRO_NUMBERS // (10 * MOST_ERASING)
        self._macro_numbers += sum(
            len(p.values) if p.exposed else max(len(p.values), dear) for p in aperture.primitives
        )
        if aperture.primitives and self._macro_numbers > MOST_MACRO_NUMBERS:
            self._too_many_numbers(line)
            return
        self._add_aperture(aperture, command)

    def _too_many_numbers(self, line: int) -> None:
        self.notes.illegal(
            Weight.HOLD,
            "macro apertures hold too many primitives",
            f"at most {MOST_MACRO_NUMBERS:,} numbers in all of them together",
            "Those from there on were left out; ask for a sensible file.",
            line,
        )

    def _transform(self, code: str, text: str, command: int, line: int) -> None:
        """LP, LM, LR, LS: specification 4.9."""
        value = text[2:]
        if code == "LP" and value in ("D", "C"):
            self._dark = value == "D"
        elif code == "LM" and value in _MIRRORS:
            self._mirror = _MIRRORS[value]
        elif code == "LR" and _NUMBER.match(value) and abs(float(value)) < 1e6:
            self._rotation = float(np.radians(float(value)))
        elif code == "LS" and _NUMBER.match(value) and 1e-6 < float(value) <= 1e4:
            self._scale = float(value)
        else:
            self.notes.illegal(
                Weight.HOLD,
                f"'{text[:40]}' cannot be read",
                "LPD, LPC, LMN, LMX, LMY, LMXY, LR<degrees> or LS<factor from 0.000001 to 10000>",
                "It was not executed; export again.",
                line,
            )
            return
        self._change(command)

    def _block(self, text: str, command: int, line: int) -> None:
        """AB: specification 4.11."""
        opening = _BLOCK.match(text)
        if opening:
            self._enter(OpenBlock(-1, -1, line, int(opening[1]), None, self._function()), command)
        elif text == "AB":
            if not self._open or self._open[-1].repeat is not None:
                self.notes.illegal(
                    Weight.QUERY,
                    "AB closes a block that is not open",
                    "ABD<number> before it",
                    "It was passed over; export again.",
                    line,
                )
                return
            self._leave(command)
        else:
            self.notes.unknown(text, line)

    def _repeat(self, text: str, command: int, line: int) -> None:
        """SR: specification 4.12. A new SR, like a plain SR, closes the one before."""
        if not _REPEAT.match(text):
            self.notes.illegal(
                Weight.HOLD,
                f"'{text[:40]}' cannot be read",
                "SRX<count>Y<count>I<step>J<step>",
                "It was not executed; export again.",
                line,
            )
            return
        part = {name: float(value[:30]) for name, value in _REPEAT_PART.findall(text[2:])}
        if self._open and self._open[-1].repeat is not None:
            self._leave(command)
        nx, ny = int(part.get("X", 1)), int(part.get("Y", 1))
        if nx * ny <= 1:
            return
        if self._flashes + nx * ny > MOST_REPEATS:
            too_many(self.notes, nx * ny, line)
            nx = ny = 1
        self._flashes += nx * ny
        unit = INCH if self.units.inch_at(command) else 1.0
        step = (part.get("I", 0.0) * unit, part.get("J", 0.0) * unit)
        self._enter(OpenBlock(-1, -1, line, 0, (nx, ny, *step)), command)

    def _enter(self, opened: OpenBlock, command: int) -> None:
        opened.parent = self._open[-1].block if self._open else -1
        opened.block = self.blocks
        self.blocks += 1
        self._open.append(opened)
        if len(self._open) == MOST_NESTING + 1:
            too_deep(self.notes, opened.line)
        self._change(command)

    def _leave(self, command: int) -> None:
        closed = self._open.pop()
        name = "" if closed.repeat is None else "step and repeat"
        aperture = Aperture(
            closed.code, "block", (), (), closed.block, name, closed.function, closed.line
        )
        row = self._add_aperture(aperture, command)
        if closed.repeat is not None:
            self.repeats.append(Repeat(command, closed.parent, row, *closed.repeat, closed.line))
        self._change(command)

    def finish(self, command: int) -> None:
        """Close what is still open at the end of the file."""
        while self._open:
            last = self._open[-1]
            self.notes.illegal(
                Weight.QUERY,
                "a step and repeat is still open at the end"
                if last.repeat
                else f"block aperture D{last.code} is still open at the end",
                "SR or AB to close it before M02",
                "It was closed at the end of the file; check that the file is complete.",
                last.line,
            )
            self._leave(command)


def _starts_command(text: str) -> bool:
    """Whether a block behind AM is no part of the macro."""
    bare = text.lstrip()
    return len(bare) > 1 and bare[:2].isalpha() and bare[:2].isupper()
