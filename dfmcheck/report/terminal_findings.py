"""Findings on a terminal, along the fabrication steps, one block per rule."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.text import Text

from dfmcheck.judge.finding import Finding, Source
from dfmcheck.measure.rule import Rule
from dfmcheck.report.look import INDENT, STYLES, Heading, hanging, inset, mark
from dfmcheck.report.terminal_reach import waived_words
from dfmcheck.report.text import (
    SEVERITIES,
    WHO,
    finite,
    message_alone,
    pair,
    plain,
    plural,
    sentence,
    sources,
)
from dfmcheck.terms import Step

STEP_WORDS = {
    Step.DATA: "can the data be trusted",
    Step.ETCH: "resist stays, the rest of the foil goes",
    Step.PRESS: "layers register and bond",
    Step.DRILL: "holes and slots",
    Step.PLATE: "hole walls and their lands",
    Step.MASK: "openings over lands",
    Step.LEGEND: "printed marks",
    Step.ROUT: "the board leaves the panel",
    Step.STENCIL: "paste printing",
}


def worst(findings: Sequence[Finding]) -> str:
    """Heaviest severity of what is not waived, ``waived`` where all is, "" for none."""
    present = {finding.severity for finding in findings if finding.waived is None}
    waived = "waived" if findings else ""
    return next((severity for severity in SEVERITIES if severity in present), waived)


def findings_by_step(
    findings: Sequence[Finding], console: Console, rules: Mapping[str, Rule], limit: int | None
) -> None:
    """Print all findings; per rule at most ``limit``, with a line saying how many more."""
    for step in Step:
        here = [finding for finding in findings if finding.step == step]
        if not here:
            continue
        console.print()
        counts = ", ".join(
            f"{n} {severity}"
            for severity in SEVERITIES
            if (n := sum(f.severity == severity and f.waived is None for f in here))
        )
        if waived := sum(finding.waived is not None for finding in here):
            counts = f"{counts}, {waived} waived" if counts else f"{waived} waived"
        console.print(Heading(f"{step}: {STEP_WORDS[step]}", counts, worst(here)))
        by_rule: dict[str, list[Finding]] = {}
        for finding in sorted(here, key=rank):
            by_rule.setdefault(finding.rule, []).append(finding)
        for n, (rule, group) in enumerate(by_rule.items()):
            if n:
                console.print()
            _block(rule, group, console, rules.get(rule), limit)


def rank(finding: Finding) -> tuple[bool, int, bool, float, str]:
    """Worst first: by severity, then what no tier takes, then by the share of the limit missed;
    what is waived comes last."""
    measured, limit = finite(finding.measured), finite(finding.limit)
    miss = 0.0
    if measured is not None and limit:
        miss = abs(measured - limit) / abs(limit)
    severity = SEVERITIES.index(finding.severity)
    waived = finding.waived is not None
    return waived, severity, bool(finding.fits), -miss, finding.fingerprint


def _block(
    id_: str, group: list[Finding], console: Console, rule: Rule | None, limit: int | None
) -> None:
    title = Text.assemble((id_, "bold"))
    if rule is not None:
        title.append(f"  {rule.quantity}", "dim")
    console.print(inset(title))
    shown = group if limit is None else group[:limit]
    shared = group[0].remedy if len({finding.remedy for finding in group}) == 1 else ""
    for finding in shown:
        _one(finding, console, own_remedy=not shared)
    rest = group[len(shown) :]
    if rest:
        places = sum(finding.count for finding in rest)
        at = f" at {plural(places, 'place')}" if places > len(rest) else ""
        text = f"… {len(rest)} more{at}; --all lists them, --csv FILE writes all as a table"
        console.print(inset(Text(text, "dim"), INDENT + 2))
    if shared:
        _remedy(shared, group[0].who, console)


def _one(finding: Finding, console: Console, *, own_remedy: bool) -> None:
    body = _numbers(finding) or Text(message_alone(finding))
    at, places = _where(finding)
    # The nets are those of the worst place, so they stand beside it.
    where = [part for part in (_layers(finding), at, _nets(finding), places) if part]
    if where:
        body.append("\n" + "  ".join(where))
    drawn = [source for source in finding.sources if not _told(source, body.plain)]
    # the fingerprint is what `dfmcheck waive` takes
    told = "  ".join(part for part in (sources(drawn), finding.fingerprint) if part)
    body.append(f"\n{told}", "dim")
    if finding.waived is not None:
        body.append(f"\nwaived {waived_words(finding.waived)}")
    kind = finding.severity if finding.waived is None else "waived"
    console.print(hanging(mark(kind, console), body))
    if own_remedy and finding.remedy:
        _remedy(finding.remedy, finding.who, console)


def _told(source: Source, text: str) -> bool:
    """Whether the text already names the file and line."""
    line = not source.line or re.search(rf"line {source.line}\b", text) is not None
    return bool(line) and plain(source.file) in text


def _numbers(finding: Finding) -> Text | None:
    """Value against limit; None where the finding has no number."""
    measured, limit = finite(finding.measured), finite(finding.limit)
    if measured is None or limit is None:
        return None
    value, allowed = pair(measured, limit, finding.unit)
    shown = value.split(" ")[0], allowed.split(" ")[0]
    digits = len(shown[0].partition(".")[2])
    past = abs(float(shown[0]) - float(shown[1]))  # of the printed numbers, so that they add up
    needs, short = ("needs", "short by") if measured < limit else ("allows", "over by")
    tier = f"tier {plain(finding.tier)} {needs}" if finding.tier else "limit"
    unit = f" {finding.unit}" if finding.unit not in ("1", "count") else ""
    out = Text.assemble((value, STYLES[finding.severity]))
    if finding.kind:
        out.append(f" ({plain(finding.kind)})")
    out.append(f"  {tier} {allowed}, {short} {past:.{digits}f}{unit}")
    raw = finite(finding.raw)
    if raw is not None and abs(raw - measured) > 5e-7:
        was = pair(raw, measured, finding.unit)[0]
        out.append(f"; {was} in the data, before the shop's allowance", "dim")
    tiers = _tiers(finding)
    if tiers:
        out.append(tiers, "dim")
    return out


def _tiers(finding: Finding) -> str:
    if finding.fits:
        return f"; {plain(finding.fits)} takes it"
    return "; no tier takes it" if finding.tier else ""


def _layers(finding: Finding) -> str:
    return ", ".join(plain(layer) for layer in finding.every_layer if layer)


def _where(finding: Finding) -> tuple[str, str]:
    """The worst place, and how many places there are and within which rectangle."""
    x, y = finite(finding.x), finite(finding.y)
    at = f"at {x:.3f}, {y:.3f} mm" if x is not None and y is not None else ""
    places = ""
    if finding.count > 1 and (at or finite(finding.measured) is not None):
        places = plural(finding.count, "place")
        if finding.bbox is not None and at:
            x0, y0, x1, y1 = finding.bbox
            places += f" within {x0:.1f}, {y0:.1f} to {x1:.1f}, {y1:.1f}"
    return at, places


def _nets(finding: Finding) -> str:
    named = [plain(net) for net in finding.nets if net]
    if not named:
        return ""
    if all(re.fullmatch(r"net \d+", name) for name in named):
        return " | ".join(named)  # nets without a name in the data carry the word already
    return ("net " if len(named) == 1 else "nets ") + " | ".join(named)


def _remedy(remedy: str, who: str, console: Console) -> None:
    text = Text(sentence(plain(remedy)))
    if who in WHO:
        text.append(f"  {sentence(WHO[who])}", "dim")
    console.print(hanging(Text("change", "bold"), text, indent=INDENT + 2))
