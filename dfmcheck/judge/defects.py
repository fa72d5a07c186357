"""Defects of the data, and doubtful assumptions, become findings too."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from dfmcheck.judge.finding import Finding, Source
from dfmcheck.judge.message import fingerprint, places_text, rounded
from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Assumption, Defect, Step, Weight

_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_BY_NET = ("data.netlist-", "data.attribute-", "data.unknown-net-voltage")
_ONE_HABIT = ("data.deprecated-construct", "data.duplicate-object")
"""What a whole package does alike is one question, not one for each file."""
_LISTED = 12  # sources named in a merged finding
_PLATING = "plating of "
"""How the subject of an assumption begins that is a question of its own rule."""


def defect_findings(defects: Sequence[Defect], rules: Mapping[str, Rule]) -> list[Finding]:
    """One finding per defect; those that differ only in their numbers are one, with a count.

    The heaviest of them, earliest in its file, gives the words.
    """
    alike: dict[tuple[str, str, str, str], list[Defect]] = {}
    for defect in defects:
        # Names of nets may differ in digits alone, and each of them is a question of its own.
        nets = defect.rule.startswith(_BY_NET)
        found = defect.found if nets else _NUMBER.sub("#", defect.found)
        where = ("", "") if defect.rule in _ONE_HABIT else (defect.file, defect.layer)
        if defect.file and not where[0]:
            found = found.replace(defect.file, "")
        key = (defect.rule, *where, found)
        alike.setdefault(key, []).append(defect)
    return [_from_defects(group, rules) for group in alike.values()]


def _from_defects(group: list[Defect], rules: Mapping[str, Rule]) -> Finding:
    group = sorted(
        group,
        key=lambda d: (-d.weight, d.file, d.line or 0, d.found, d.expected, d.x or 0.0, d.y or 0.0),
    )
    lead = group[0]
    rule = rules.get(lead.rule)
    points = [(d.x, d.y) for d in group if d.x is not None and d.y is not None]
    message = lead.sentence
    files = len({d.file for d in group})
    if len(group) > 1:
        within = f" in {files} files" if files > 1 else ""
        message += f" (First of {places_text(len(group))} like it{within}.)"
    sources = dict.fromkeys(Source(d.file, d.line) for d in group if d.file)
    # neither file name nor line counts, so that a finding keeps its waiver over revisions
    found = lead.found.replace(lead.file, "") if lead.file else lead.found
    at = () if lead.x is None or lead.y is None else (rounded(lead.x, 2), rounded(lead.y, 2))
    return Finding(
        rule=lead.rule,
        step=str(rule.step if rule else Step.DATA),
        severity=lead.weight.name.lower(),
        layer=lead.layer,
        nets=(),
        x=lead.x,
        y=lead.y,
        bbox=(
            min(x for x, _ in points), min(y for _, y in points),
            max(x for x, _ in points), max(y for _, y in points),
        ) if points else None,
        line=lead.ends, measured=None, raw=None, uncertainty=0.0, limit=None, unit="", tier="",
        fits="",
        count=len(group),
        fingerprint=fingerprint(lead.rule, lead.layer, found, *at),
        message=message,
        remedy=lead.action or (rule.change if rule else ""),
        who=rule.who if rule else "ask",
        sources=tuple(sources)[:_LISTED],
    )  # fmt: skip


def assumption_findings(
    assumptions: Sequence[Assumption], rules: Mapping[str, Rule]
) -> list[Finding]:
    """A query for every doubtful assumption; the others are only reported.

    Doubt about plating is ``data.plating-unknown``, as it harms in a way of its own.
    """
    out: list[Finding] = []
    alike: dict[tuple[str, str, str], list[Assumption]] = {}
    for one in assumptions:
        if one.doubtful:
            alike.setdefault((one.file, one.subject, one.value), []).append(one)
    for group in alike.values():
        lead = min(group, key=lambda a: (a.confidence, a.evidence))
        where = f"{lead.file}: " if lead.file else ""
        id_ = "data.plating-unknown" if lead.subject.startswith(_PLATING) else "data.assumption"
        rule = rules.get(id_)
        out.append(
            Finding(
                rule=id_,
                step=str(Step.DATA),
                severity=Weight.QUERY.name.lower(),
                layer="", nets=(), x=None, y=None, bbox=None, line=None, measured=None,
                raw=None, uncertainty=0.0, limit=None, unit="", tier="", fits="",
                count=len(group),
                fingerprint=fingerprint(id_, lead.subject, lead.value),
                message=(
                    f"{where}{lead.subject} taken as {lead.value}, which the data does not state "
                    f"({lead.evidence}; confidence {lead.confidence:.0%})"
                ),
                remedy=f"State {lead.subject} in the data, or confirm {lead.value}",
                who=rule.who if rule else "ask",
                sources=(Source(lead.file),) if lead.file else (),
            )
        )  # fmt: skip
    return out
