"""Gathers what the reader met and could not, or should not have to, execute."""

from __future__ import annotations

from dataclasses import dataclass, field

from dfmcheck.terms import Defect, Weight


@dataclass(frozen=True, slots=True)
class _Kind:
    rule: str
    weight: Weight
    found: str
    expected: str
    action: str


_KINDS = {
    "unknown": _Kind(
        "data.unknown-command",
        Weight.QUERY,
        "{count}× command {what} is not known and was skipped",
        "commands of Excellon format 2 or XNC",
        "Ask what it stands for, or for the drill data in XNC.",
    ),
    "unread": _Kind(
        "data.unknown-command",
        Weight.QUERY,
        "{count}× {what} makes holes this reader does not build",
        "plain hits, slots and routed paths",
        "Ask for the drill data with these holes written out.",
    ),
    "illegal": _Kind(
        "data.illegal-construct",
        Weight.QUERY,
        "{count}× {what}",
        "statements of Excellon format 2 or XNC",
        "Look at the line, and ask for a corrected file if it matters.",
    ),
    "compensation": _Kind(
        "data.deprecated-construct",
        Weight.NOTE,
        "{count}× cutter compensation {what}; the path is read as the tool's own path",
        "paths of the tool centre without G41 or G42 (XNC has no compensation)",
        "Check the slot or contour width where it is close.",
    ),
    "deprecated": _Kind(
        "data.deprecated-construct",
        Weight.NOTE,
        "{count}× {what}",
        "only what XNC allows",
        "Nothing to do when the holes lie where they should.",
    ),
    "mirrored": _Kind(
        "data.deprecated-construct",
        Weight.QUERY,
        "{count}× {what}, read as about the pattern's own axes",
        "hits written out",
        "Check the repeated holes against the lands.",
    ),
    "canned": _Kind(
        "data.deprecated-construct",
        Weight.QUERY,
        "{count}× {what}",
        "hits written out",
        "Check these holes against the lands, or ask for them written out.",
    ),
    "datum": _Kind(
        "data.datum-offset",
        Weight.NOTE,
        "{count}× the zero point is moved by {what}",
        "coordinates from one datum",
        "The move is carried out; check that holes meet their lands.",
    ),
}


_DISTINCT = 200


@dataclass(slots=True)
class Notes:
    """One defect for each kind and text, at the first line, with its count."""

    file: str
    _seen: dict[tuple[str, str], list[int]] = field(default_factory=dict)

    def add(self, kind: str, what: str, line: int) -> None:
        if (kind, what) not in self._seen and len(self._seen) >= _DISTINCT:
            what = "further statements of other forms"  # a list without end helps nobody
        entry = self._seen.setdefault((kind, what), [0, line])
        entry[0] += 1

    def defects(self) -> list[Defect]:
        out = []
        for (name, what), (count, line) in self._seen.items():
            kind = _KINDS[name]
            found = kind.found.format(count=count, what=what)
            out.append(
                Defect(kind.rule, kind.weight, found, kind.expected, kind.action, self.file, line)
            )
        return out
