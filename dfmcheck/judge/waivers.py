"""Waivers: findings a named person accepted, kept in a TOML file beside the package.

::

    [[waiver]]
    fingerprint = "5f1d2c3b4a59"    # of the finding; every report gives it
    rule = "etch.notch"
    reason = "Test coupon outside the board, scrapped after lamination"
    name = "M. Okafor"
    date = 2026-11-25
    expires = 2027-05-25            # last day it counts; better given than not
    severity = "query"              # of the finding when accepted; heavier is not covered
    places = 3                      # places it had then; more are not covered

A waived finding stays in every report. It does not count in the verdict; it still counts in
the fit of a tier, since the shop must make the place all the same.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from dfmcheck.capability.toml_files import tables_of, text_of
from dfmcheck.capability.toml_lines import key_lines
from dfmcheck.errors import UsageError
from dfmcheck.judge.finding import Finding, Waiver, WaiverUse

ENDING = ".waivers.toml"
_NEEDED = ("fingerprint", "rule", "reason", "name", "date")
_KEYS = (*_NEEDED, "expires", "severity", "places")
_SEVERITIES = ("note", "query", "hold")
_FINGERPRINT = re.compile(r"[0-9a-f]{12}")
_ARCHIVES = (".tar.gz", ".tar.bz2", ".tar.xz", ".tgz", ".tbz2", ".txz", ".zip", ".tar")
_HEAD = "# Findings accepted by a person. `dfmcheck waive` adds to it; it may be edited by hand.\n"

UNTRUSTED = frozenset(
    f"data.{name}"
    for name in (
        "unreadable-file", "truncated-file", "missing-role", "duplicate-role", "empty-layer",
        "unknown-command", "tool-size", "aperture-undefined", "datum-offset", "several-boards",
    )
)  # fmt: skip
"""A hold of these says that the data cannot be trusted: what is behind it was not measured, so
nobody can know what would be accepted. It can be settled, but not waived."""


@dataclass(frozen=True, slots=True)
class Waivers:
    """The waivers of one file; ``found`` where nobody named it."""

    file: str
    entries: tuple[Waiver, ...] = ()
    found: bool = False


def file_for(path: Path) -> Path:
    """Where the waivers of a package, or of a kept screening, belong.

    Examples
    --------
    >>> file_for(Path("jobs/kettle-lamp.zip")).as_posix()
    'jobs/kettle-lamp.waivers.toml'
    """
    name = path.name or path.resolve().name
    if not path.is_dir():
        archive = next((end for end in _ARCHIVES if name.lower().endswith(end)), None)
        name = name[: -len(archive)] if archive else Path(name).stem
    return path.parent / (name + ENDING)


def find(path: Path, package: str = "") -> Waivers | None:
    """Waivers that lie beside the package or screening at ``path``, None where there are none.

    A kept screening may also stand beside the file named after its ``package``.

    Raises
    ------
    UsageError
        There is such a file and it does not hold to its form.
    """
    places = [file_for(path)]
    if package:
        places.append(file_for(path.parent / Path(package).name))
    for place in places:
        if place.is_file():
            return replace(load(place), found=True)
    return None


def load(path: Path) -> Waivers:
    """Read a waiver file.

    Raises
    ------
    UsageError
        With the line of what does not hold.
    """
    return Waivers(str(path), _parsed(text_of(path, "a waiver file"), str(path)))


def _parsed(text: str, file: str) -> tuple[Waiver, ...]:
    raw = tables_of(text, file, "TOML")
    lines = key_lines(text)
    for key in raw:
        if key != "waiver":
            raise _wrong(f"'{key}'", "only [[waiver]] entries", "Leave it out.", file,
                         lines.get((key,)))  # fmt: skip
    entries = raw.get("waiver", [])
    if not isinstance(entries, list) or any(not isinstance(entry, dict) for entry in entries):
        raise _wrong("'waiver' is no list of entries", "[[waiver]] before each entry",
                     "Write it with double brackets.", file, lines.get(("waiver",)))  # fmt: skip
    out: list[Waiver] = []
    for n, entry in enumerate(entries):
        out.append(_entry(entry, file, {key: lines.get(("waiver", n, key)) for key in entry},
                          lines.get(("waiver", n)) or 0))  # fmt: skip
    seen: dict[str, int] = {}
    for waiver in out:
        if waiver.fingerprint in seen:
            raise _wrong(f"{waiver.fingerprint} is waived twice, first on line "
                         f"{seen[waiver.fingerprint]}", "one entry per finding",
                         "Leave one of them out.", file, waiver.line)  # fmt: skip
        seen[waiver.fingerprint] = waiver.line
    return tuple(out)


def _wrong(found: str, expected: str, action: str, file: str, line: int | None) -> UsageError:
    return UsageError(found, expected, action, file, line)


def _entry(entry: dict[str, Any], file: str, lines: Mapping[str, int | None], line: int) -> Waiver:
    def wrong(key: str, expected: str, action: str = "Correct it.") -> UsageError:
        shown = str(entry[key]).splitlines() or [""]
        return _wrong(f"{key} = {shown[0]!r}", expected, action, file, lines.get(key) or line)

    for key in entry:
        if key not in _KEYS:
            near = get_close_matches(key, _KEYS, n=1)
            action = f"Did you mean '{near[0]}'?" if near else "Leave it out."
            raise _wrong(f"'{key}'", f"one of {', '.join(_KEYS)}", action, file, lines.get(key))
    for key in _NEEDED:
        if key not in entry:
            raise _wrong(f"an entry without {key}", f"{', '.join(_NEEDED)} in every entry",
                         f"Add {key}.", file, line)  # fmt: skip
    for key in ("fingerprint", "rule", "reason", "name"):
        if not isinstance(entry[key], str) or not entry[key].strip():
            raise wrong(key, "text that is not empty")
    if not _FINGERPRINT.fullmatch(entry["fingerprint"]):
        raise wrong("fingerprint", "the twelve letters and digits a report gives",
                    "Copy it from the report.")  # fmt: skip
    for key in ("date", "expires"):
        # a date with a time of day is a date to Python, too
        if key in entry and type(entry[key]) is not datetime.date:
            raise wrong(key, "a date without quotes, as 2026-11-25")
    expires = entry.get("expires")
    if expires is not None and expires < entry["date"]:
        raise wrong("expires", f"a day not before its date, {entry['date']}")
    if "severity" in entry and entry["severity"] not in _SEVERITIES:
        raise wrong("severity", f"one of {', '.join(_SEVERITIES)}")
    if "places" in entry and (type(entry["places"]) is not int or entry["places"] < 1):
        raise wrong("places", "a whole number above zero")
    return Waiver(**{**entry, "line": line})


# -- use ----------------------------------------------------------------------------------


def refusal(finding: Finding) -> str:
    """Why a finding cannot be waived at all, "" when it can."""
    if finding.severity == "hold" and finding.rule in UNTRUSTED:
        return (
            "the data cannot be trusted there, so nobody can know what would be accepted: it has "
            "to be settled, not waived"
        )
    return ""


def apply(
    findings: Sequence[Finding], waivers: Waivers, today: datetime.date
) -> tuple[list[Finding], WaiverUse]:
    """Mark the findings that are waived, and tell what became of each waiver."""
    by_print = {waiver.fingerprint: waiver for waiver in waivers.entries}
    out: list[Finding] = []
    refused: dict[str, str] = {}
    for finding in findings:
        waiver = by_print.get(finding.fingerprint)
        if waiver is None:
            out.append(finding)
            continue
        why = _not_covered(finding, waiver, today)
        refused[waiver.fingerprint] = why
        out.append(finding if why else replace(finding, waived=waiver))
    used = tuple(w for w in waivers.entries if refused.get(w.fingerprint) == "")
    unused = tuple(
        (w, why)
        for w in waivers.entries
        if (why := refused.get(w.fingerprint, "no finding has this fingerprint any more"))
    )
    return out, WaiverUse(waivers.file, waivers.found, used, unused)


def _not_covered(finding: Finding, waiver: Waiver, today: datetime.date) -> str:
    if why := refusal(finding):
        return why
    if waiver.rule != finding.rule:
        return f"the finding is one of {finding.rule}"
    if waiver.expires is not None and today > waiver.expires:
        return f"expired on {waiver.expires}"
    if waiver.date > today:
        return f"is dated {waiver.date}, which is still to come"
    if waiver.severity and _SEVERITIES.index(finding.severity) > _SEVERITIES.index(waiver.severity):
        return f"was given for a {waiver.severity}, and the finding is now a {finding.severity}"
    if waiver.places is not None and finding.count > waiver.places:
        return f"was given for {waiver.places} of the {finding.count} places it has now"
    return ""


# -- writing ------------------------------------------------------------------------------


def record(path: Path, waivers: Sequence[Waiver]) -> None:
    """Add waivers to a file, in place of entries with the same fingerprint; the rest of the
    text, comments included, stays as it is.

    Raises
    ------
    UsageError
        The file is there and does not hold to its form, or cannot be written.
    """
    text = text_of(path, "a waiver file") if path.exists() else _HEAD
    text = _without(text, str(path), {waiver.fingerprint for waiver in waivers})
    text = text.rstrip("\n") + "\n"
    for waiver in waivers:
        text += "\n" + _written(waiver)
    _parsed(text, str(path))  # what is written must be readable
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise UsageError(
            f"cannot be written ({error.strerror})", "a file that can be written",
            "Choose another place with --waivers.", str(path),
        ) from error  # fmt: skip


def _without(text: str, file: str, fingerprints: set[str]) -> str:
    """The text without the entries named; comments before the next entry stay."""
    lines = text.splitlines()
    entries = _parsed(text, file)
    starts = [waiver.line - 1 for waiver in entries] + [len(lines)]
    drop: set[int] = set()
    for waiver, start, stop in zip(entries, starts, starts[1:], strict=False):
        if waiver.fingerprint not in fingerprints:
            continue
        while stop > start and (not lines[stop - 1].strip() or lines[stop - 1].startswith("#")):
            stop -= 1
        drop.update(range(start, stop))
    return "\n".join(line for n, line in enumerate(lines) if n not in drop)


def _written(waiver: Waiver) -> str:
    rows = [
        "[[waiver]]",
        f"fingerprint = {_quoted(waiver.fingerprint)}",
        f"rule = {_quoted(waiver.rule)}",
        f"reason = {_quoted(waiver.reason)}",
        f"name = {_quoted(waiver.name)}",
        f"date = {waiver.date.isoformat()}",
    ]
    if waiver.expires is not None:
        rows.append(f"expires = {waiver.expires.isoformat()}")
    if waiver.severity:
        rows.append(f"severity = {_quoted(waiver.severity)}")
    if waiver.places is not None:
        rows.append(f"places = {waiver.places}")
    return "\n".join(rows) + "\n"


def _quoted(text: str) -> str:
    """A basic string (TOML v1.0.0, "String").

    >>> print(_quoted('say "no"'))
    "say \\"no\\""
    """
    text = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda m: f"\\u{ord(m[0]):04x}", text) + '"'
