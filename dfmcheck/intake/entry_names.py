"""Names of a package's entries: which are read, which are reported, how they are shown."""

from __future__ import annotations

import os
import re

from dfmcheck.intake import limits
from dfmcheck.intake.limits import Contents
from dfmcheck.terms import Defect, Weight

SKIPPED_FOLDERS = {".git", ".svn", ".hg", "__MACOSX"}
_LONGEST_NAME = 255  # characters; file systems in use hold no more (POSIX NAME_MAX)
#: Also what turns the writing round, so that a name reads other than it is.
_CONTROL = re.compile(
    r"[\x00-\x1f\x7f-\x9f\ud800-\udfff\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]"
)


def name_allowed(contents: Contents, prefix: str, name: str) -> bool:
    """Whether the entry stays inside the package; reports it when not."""
    flat = name.replace("\\", "/")
    if flat.startswith("/") or re.match(r"[A-Za-z]:", flat) or ".." in flat.split("/"):
        contents.skip(
            prefix + clean(name),
            "its path leads outside the package and it was not read",
            "a path inside the package",
            "Pack the data again from inside its folder",
            Weight.QUERY,
        )
        return False
    if len(flat) > limits.MAX_NAME or any(len(p) > _LONGEST_NAME for p in flat.split("/")):
        contents.skip(
            prefix + clean(name[:200])[:60] + "…",
            f"its name has more than {_LONGEST_NAME} characters, or {limits.MAX_NAME} with its "
            "folders, and it was not read",
            "a name a file system can hold",
            "Pack the data again under ordinary names",
            Weight.QUERY,
        )
        return False
    report_name(contents, prefix, name)
    # Shadow copies an archiver adds are never fabrication data.
    return not any(part in SKIPPED_FOLDERS for part in flat.split("/")[:-1])


def report_name(contents: Contents, prefix: str, name: str) -> None:
    """A name with control characters is read, shown with question marks, and asked about."""
    if _CONTROL.search(name):
        contents.skip(
            prefix + clean(name),
            "its name holds control characters or broken letters, here shown as '?'",
            "a name that can be printed",
            "Ask who made the file; it was read",
            Weight.QUERY,
        )


def report_link(contents: Contents, name: str) -> None:
    """A link is not followed, and asked about."""
    contents.skip(
        name,
        "it is a link and was not followed",
        "a file",
        "Put the file itself in its place",
        Weight.QUERY,
    )


def report_skipped(contents: Contents, name: str) -> None:
    """A folder of administration is passed over, and told."""
    contents.defects.append(
        Defect(
            "data.unknown-file",
            Weight.NOTE,
            "the folder holds administration, not fabrication data, and was not opened",
            "fabrication data",
            "Leave it out",
            file=name,
        )
    )


def clean(name: str) -> str:
    """Forward slashes, no leading ``./``, nothing a terminal could stumble over.

    Examples
    --------
    >>> clean(".\\\\gerber\\\\top.gbr")
    'gerber/top.gbr'
    >>> clean("./")
    'unnamed'
    """
    name = os.fsencode(name).decode("utf-8", "replace") if _CONTROL.search(name) else name
    parts = [p for p in name.replace("\\", "/").split("/") if p not in ("", ".")]
    return _CONTROL.sub("?", "/".join(parts)) or "unnamed"
