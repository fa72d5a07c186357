"""Edits a Gerber file as text: new objects at its end, or another aperture for one object.

Everything is told in mm and rounded to what the file can say (coordinates to its grid,
aperture sizes to a nanometre); the rounded numbers are handed back, so that the truth of a
plant is reckoned from what really stands in the file.
"""

from __future__ import annotations

import re

from benchmarks.defects.plant import NoPlace

_FS = re.compile(r"%?FS([LTD]?)([AI])(?:N\d)?(?:G\d)?X(\d)(\d)Y\d\d")
_AD = re.compile(r"ADD(\d+)")
_ODD = re.compile(r"%(OF|SF|MI|AS|IR|IP[N])|%LM[XY]|%LR[^0]|%LS(?!1(\.0*)?\*)|G91\*|%AB")
_INCH = 25.4


class GerberEdit:
    """One file under the knife."""

    def __init__(self, name: str, data: bytes) -> None:
        self.name = name
        self.text = data.decode("latin-1")
        form = _FS.search(self.text)
        if form is None or form[2] == "I" or _ODD.search(self.text):
            raise NoPlace(f"{name}: its coordinates are not told in a plain way")
        if "%MOIN" in self.text or (re.search(r"\bG70\*", self.text) and "%MO" not in self.text):
            self.unit = _INCH
        elif "%MOMM" in self.text or re.search(r"\bG71\*", self.text) or "*MOMM*" in self.text:
            self.unit = 1.0
        elif "MOIN*" in self.text:
            self.unit = _INCH
        else:
            raise NoPlace(f"{name}: states no unit")
        self.whole, self.decimals = int(form[3]), int(form[4])
        self.step = self.unit / 10**self.decimals
        self.newline = "\r\n" if "\r\n" in self.text else "\n"
        self.lines = self.text.split(self.newline)
        self.code = max([9, *(int(code) for code in _AD.findall(self.text))])
        self.tail: list[str] = []
        self.before: dict[int, list[str]] = {}
        self.after: dict[int, list[str]] = {}
        self.instead: dict[int, str | None] = {}

    # -- numbers -------------------------------------------------------------------------

    @property
    def slack(self) -> float:
        """How far a coordinate may be off by the file's grid, where that is a coarse one."""
        return self.step / 2 if self.step > 0.0015 else 0.0

    def round(self, value: float) -> float:
        """The nearest coordinate the file can say, mm."""
        return float(round(value / self.step) * self.step)

    def number(self, value: float) -> str:
        """A coordinate with all its digits, right under either zero suppression."""
        steps = round(value / self.step)
        digits = f"{abs(steps):0{self.whole + self.decimals}d}"
        if len(digits) > self.whole + self.decimals:
            raise NoPlace(f"{self.name}: the coordinate format has too few digits")
        return ("-" if steps < 0 else "") + digits

    def size(self, value: float) -> tuple[str, float]:
        """An aperture's size as text, and the mm it says."""
        text = f"{value / self.unit:.8f}"
        return text, float(text) * self.unit

    # -- objects behind the last one -------------------------------------------------------

    def aperture(self, template: str, *sizes: float, into: list[str] | None = None) -> int:
        """Define an aperture; its sizes are exact to 1e-8 of the file's unit."""
        self.code += 1
        words = "X".join(self.size(value)[0] for value in sizes)
        (self.tail if into is None else into).append(f"%ADD{self.code}{template},{words}*%")
        return self.code

    def flash(self, code: int, x: float, y: float) -> None:
        self.tail += [f"D{code}*", f"X{self.number(x)}Y{self.number(y)}D03*"]

    def draw(self, code: int, x0: float, y0: float, x1: float, y1: float) -> None:
        self.tail += [
            f"D{code}*",
            f"X{self.number(x0)}Y{self.number(y0)}D02*",
            f"G01X{self.number(x1)}Y{self.number(y1)}D01*",
        ]

    def disc_line(self, code: int, x: float, y: float, r: float) -> None:
        """A full circle drawn with ``code`` about x, y."""
        self.tail += [
            f"D{code}*",
            "G75*",
            f"X{self.number(x + r)}Y{self.number(y)}D02*",
            f"G03X{self.number(x + r)}Y{self.number(y)}I{self.number(-r)}J{self.number(0)}D01*",
            "G01*",
        ]

    def region(self, points: list[tuple[float, float]]) -> None:
        (x0, y0), *rest = [*points, points[0]]
        self.tail += ["G36*", f"X{self.number(x0)}Y{self.number(y0)}D02*"]
        self.tail += [f"G01X{self.number(x)}Y{self.number(y)}D01*" for x, y in rest]
        self.tail += ["G37*"]

    def clear(self) -> None:
        self.tail.append("%LPC*%")

    def dark(self) -> None:
        self.tail.append("%LPD*%")

    # -- objects that are there --------------------------------------------------------------

    def row(self, line: int) -> str:
        return self.lines[line - 1].strip() if 0 < line <= len(self.lines) else ""

    def is_plain(self, line: int, operation: str) -> bool:
        """Whether a line holds one plain operation and nothing else, and the next line does not
        rest on it (an operation code left out repeats the last one)."""
        modal = re.fullmatch(r"(G0?[123])?[XYIJ][-+XYIJ\d]*\*", self.row(line + 1))
        plain = re.fullmatch(rf"(G0?1)?(X-?\+?\d+)?(Y-?\+?\d+)?D0?{operation}\*", self.row(line))
        return plain is not None and modal is None

    def recode(self, line: int, was: int, template: str, *sizes: float) -> None:
        """Give the one object on ``line`` an aperture of its own."""
        words: list[str] = []
        code = self.aperture(template, *sizes, into=words)
        self.before.setdefault(line, []).extend([*words, f"D{code}*"])
        self.after.setdefault(line, []).append(f"D{was}*")

    def replace(self, line: int, text: str | None) -> None:
        """Another text for a line; None drops it."""
        self.instead[line] = text

    # -- result ------------------------------------------------------------------------------

    def data(self) -> bytes:
        rows: list[str] = []
        for number, row in enumerate(self.lines, start=1):
            rows += self.before.get(number, [])
            new = self.instead.get(number, row)
            if new is not None:
                rows.append(new)
            rows += self.after.get(number, [])
        if self.tail:
            # The last M02 or M00 ends the file; what is planted stands before it.
            at = max((n for n, row in enumerate(rows) if re.search(r"M0[02]\*", row)), default=None)
            if at is None:
                raise NoPlace(f"{self.name}: has no end")
            head = []
            if "%SRX" in self.text:
                head.append("%SR*%")
            if re.search(r"%T[AO]", self.text):
                head.append("%TD*%")
            head += ["G01*", "%LPD*%"]
            end = re.sub(r"^.*(M0[02]\*)", r"\1", rows[at])
            kept = rows[at][: rows[at].rindex(end)] if end != rows[at] else ""
            rows[at : at + 1] = [*([kept] if kept else []), *head, *self.tail, end]
        return self.newline.join(rows).encode("latin-1")
