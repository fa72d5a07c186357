"""Finds the line of every key in a TOML text, so that an error can name it.

The standard reader keeps no positions. This scan is run on text that reader has already
accepted; it therefore needs to follow TOML's structure, not to check it (TOML v1.0.0, "Keys",
"Table", "Array of Tables", "Inline Table").
"""

from __future__ import annotations

import re
from collections.abc import Sequence

Path = tuple[str | int, ...]

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY_PART = re.compile(r"""[ \t]*("(?:\\.|[^"\\])*"|'[^']*'|[A-Za-z0-9_-]+)[ \t]*""")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'", re.S
)
_PLAIN = re.compile(r"[^,\]}\n#]+")


def key_lines(text: str) -> dict[Path, int]:
    """Line number, counted from 1, of every table header and key of a valid TOML text.

    Parameters
    ----------
    text : str
        TOML that ``tomllib`` accepts.

    Returns
    -------
    dict
        From path, e.g. ``("limits", "etch.notch", "when", 0, "fine")``, to line.

    Examples
    --------
    >>> key_lines('[shop]\\n# a comment\\nname = "x"\\n')
    {('shop',): 1, ('shop', 'name'): 3}
    """
    return _Scan(text).run()


def key_name(path: Sequence[str | int]) -> str:
    """How an error names a place in the file.

    >>> key_name(("limits", "etch.notch", "when", 0, "fine"))
    'limits."etch.notch".when[1].fine'
    """
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += ("." if text else "") + (f'"{part}"' if "." in part else part)
    return text or "the file"


class _Scan:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._counted_to = 0
        self._line = 1
        self._tables: dict[Path, int] = {}  # arrays of tables: path → index of the last one

    def run(self) -> dict[Path, int]:
        base: Path = ()
        while True:
            self.skip()
            if self.at >= len(self.text):
                return self.lines
            line = self.line()
            if self.text.startswith("[[", self.at):
                self.at += 2
                path = self.resolved(self.key())
                self._tables[path] = self._tables.get(path, -1) + 1
                base = (*path, self._tables[path])
                self.lines.setdefault(path, line)
                self.at += 2
            elif self.text[self.at] == "[":
                self.at += 1
                base = self.resolved(self.key())
                self.at += 1
            else:
                self.pair(base)
                continue
            self.mark(base, line)

    def line(self) -> int:
        self._line += self.text.count("\n", self._counted_to, self.at)
        self._counted_to = self.at
        return self._line

    def mark(self, path: Path, line: int) -> None:
        for end in range(1, len(path) + 1):
            self.lines.setdefault(path[:end], line)

    def skip(self) -> None:
        match = _SPACE.match(self.text, self.at)
        self.at = match.end() if match else self.at

    def resolved(self, key: list[str]) -> Path:
        """Put the index of the latest element after each array of tables named on the way."""
        path: Path = ()
        for n, part in enumerate(key):
            path = (*path, part)
            if n < len(key) - 1 and path in self._tables:
                path = (*path, self._tables[path])
        return path

    def key(self) -> list[str]:
        parts: list[str] = []
        while match := _KEY_PART.match(self.text, self.at):
            part = match[1]
            parts.append(part[1:-1] if part[0] in "\"'" else part)
            self.at = match.end()
            if not self.text.startswith(".", self.at):
                break
            self.at += 1
        return parts

    def pair(self, base: Path) -> None:
        line, start = self.line(), self.at
        path = (*base, *self.key())
        self.mark(path, line)
        self.at += 1  # the equals sign
        self.value(path)
        if self.at == start + 1:  # no key: cannot be in valid TOML, and must not loop for ever
            self.at = len(self.text)

    def value(self, path: Path) -> None:
        self.skip()
        if match := _STRING.match(self.text, self.at):
            self.at = match.end()
        elif self.text.startswith("[", self.at):
            self.listed(path)
        elif self.text.startswith("{", self.at):
            self.inline(path)
        elif match := _PLAIN.match(self.text, self.at):
            self.at = match.end()

    def listed(self, path: Path) -> None:
        self.at += 1
        index = 0
        while self.at < len(self.text):
            self.skip()
            if self.text.startswith("]", self.at):
                self.at += 1
                return
            if self.text.startswith(",", self.at):
                self.at += 1
                continue
            before = self.at
            self.mark((*path, index), self.line())
            self.value((*path, index))
            index += 1
            self.at += self.at == before

    def inline(self, path: Path) -> None:
        self.at += 1
        while self.at < len(self.text):
            self.skip()
            if self.text.startswith("}", self.at):
                self.at += 1
                return
            if self.text.startswith(",", self.at):
                self.at += 1
                continue
            self.pair(path)
