"""Every error dfmcheck raises on purpose.

    DfmcheckError
    ├── UsageError         the command line or a file the user wrote is wrong      (exit 2)
    │   └── ShopFileError  a shop capability file does not hold to the schema
    ├── PackageError       the package cannot be opened, or nothing in it is known (exit 20)
    └── FormatError        one file of the package cannot be read; the screen goes on without it

Each says: file, line, what was found, what was expected, what to do.
"""

from __future__ import annotations

import errno
import re

_WORD, _PHRASE = 200, 1_000  # characters; what is longer is shown by its start
_LONG = re.compile(rf"\S{{{_WORD + 1},}}")


def shortened(text: str) -> str:
    """A phrase of readable length: who reads its start knows where the rest stands.

    >>> shortened("economy = " + 400 * "9")
    'economy = 9999999999999999999999999999999999999999… (of 400 characters)'
    """
    text = _LONG.sub(lambda word: f"{word[0][:40]}… (of {len(word[0]):,} characters)", text)
    return text if len(text) <= _PHRASE else f"{text[:_WORD]}… (of {len(text):,} characters)"


class DfmcheckError(Exception):
    """Base of all errors raised on purpose.

    Parameters
    ----------
    found, expected, action : str
        Phrases; together one sentence.
    file : str, optional
    line : int, optional
    """

    def __init__(
        self, found: str, expected: str, action: str, file: str = "", line: int | None = None
    ) -> None:
        self.found, self.expected, self.action = shortened(found), expected, action
        self.file, self.line = file, line
        super().__init__(str(self))

    def __reduce__(self) -> tuple[type[DfmcheckError], tuple[str, str, str, str, int | None]]:
        """Errors cross process borders whole."""
        return type(self), (self.found, self.expected, self.action, self.file, self.line)

    def __str__(self) -> str:
        where = self.file + (f", line {self.line}" if self.line else "")
        lead = f"{where}: " if where else ""
        return f"{lead}{self.found}; expected {self.expected}. {self.action}"


class UsageError(DfmcheckError):
    """The command line, or a file the user wrote, is wrong."""


class ShopFileError(UsageError):
    """A shop capability file does not hold to the schema."""


class PackageError(DfmcheckError):
    """The package cannot be opened, or nothing in it is recognised."""


class FormatError(DfmcheckError):
    """One file of the package cannot be read."""


def out_of_memory(error: BaseException | None) -> bool:
    """Whether want of memory is at the bottom of a chain of errors; libraries written in C++ say
    std::bad_alloc, the system ENOMEM."""
    while error is not None:
        if isinstance(error, MemoryError) or "bad_alloc" in str(error):
            return True
        if isinstance(error, OSError) and error.errno == errno.ENOMEM:
            return True
        error = error.__cause__ or error.__context__
    return False
