"""The judgement on a terminal.

:func:`render` prints in the order a reader needs it: verdict and reasons, job facts, fit to
each tier, tightest values, findings along the fabrication steps, assumptions, coverage, caution.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from dfmcheck.judge.finding import Finding, Judgement, TierFit, Tightest, Verdict
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.screening import Facts, Gap
from dfmcheck.report.look import INDENT, STYLES, Heading, hanging, inset, mark
from dfmcheck.report.terminal_findings import findings_by_step, worst
from dfmcheck.report.terminal_reach import print_to_reach, print_waivers
from dfmcheck.report.text import CAUTION, finite, pair, plain, plural
from dfmcheck.terms import Assumption, Step

_VERDICTS = {
    Verdict.RELEASE: "nothing to ask",
    Verdict.QUERY: "an engineer must ask or decide",
    Verdict.HOLD: "cannot be built, or cannot be trusted, as sent",
}
_UNTOLD = ("none", "cannot be told")
_LIST_LINES = 10
_STEP_WIDTH = 8  # nine steps side by side fit 80 columns


def render(
    judgement: Judgement,
    console: Console,
    *,
    limit: int | None = 3,
    rules: Mapping[str, Rule] | None = None,
) -> None:
    """Print the whole report.

    Parameters
    ----------
    judgement : Judgement
    console : rich.console.Console
    limit : int or None
        Findings printed per rule, at least 1; other lists are cut at ten lines. None prints all.
    rules : mapping of str to Rule, optional
        Gives the quantity's name and direction; without it, rule ids stand alone.
    """
    rules = rules or {}
    print_verdict(judgement, console, limit)
    _facts(judgement, console, limit)
    _tier_fit(judgement, console, limit)
    print_to_reach(judgement, console, limit)
    _tightest(judgement, console, rules)
    _steps(judgement, console)
    findings_by_step(judgement.findings, console, rules, limit)
    print_waivers(judgement, console)
    print_assumptions(judgement.screening.assumptions, console, limit)
    _coverage(judgement, console, limit)
    console.print()
    console.print(inset(Text(CAUTION, "italic")))


def print_verdict(judgement: Judgement, console: Console, limit: int | None = 0) -> None:
    """Print the verdict in words and, unless ``limit`` is 0, why."""
    kind = str(judgement.verdict)
    line = Text.assemble(
        mark(kind, console),
        " ",
        (kind.upper(), STYLES[kind]),
        "  ",
        (_VERDICTS[judgement.verdict], STYLES[kind]),
    )
    console.print(line)
    named = f"{plain(judgement.screening.package)}, judged for shop {plain(judgement.shop)}"
    tier = f", tier {plain(judgement.tier)}" if judgement.tier else ""
    console.print(inset(Text(named + tier, "dim")))
    if limit == 0:
        return
    for reason in judgement.reasons[: _lines(limit)]:
        console.print(hanging(mark("none", console), Text(plain(reason))))
    _more(len(judgement.reasons), limit, "reason", console)


def _facts(judgement: Judgement, console: Console, limit: int | None) -> None:
    facts = judgement.screening.facts
    console.print()
    console.print(Heading("job"))
    grid = _grid()
    grid.add_row("board", _board(facts))
    grid.add_row("stack", _stack(facts))
    if facts.nets:
        grid.add_row("nets", f"{facts.nets}, found by copper that touches")
    if facts.holes:
        grid.add_row("holes", _holes(facts, limit))
    shares = {
        name: share for name, share in facts.copper_share.items() if finite(share) is not None
    }
    if shares:
        text = ", ".join(f"{plain(name)} {share:.0%}" for name, share in shares.items())
        grid.add_row("copper share", text)
    if facts.finish_area:
        areas = ", ".join(f"{plain(n)} {a / 100:.2f} cm²" for n, a in facts.finish_area.items())
        grid.add_row("bare copper", f"{areas} (left open by the mask, hole walls not counted)")
    lengths = [("round the profile", facts.rout_length), ("in slots", facts.slot_length)]
    cuts = [f"{mm:.0f} mm {where}" for where, mm in lengths if finite(mm)]
    if cuts:
        grid.add_row("routing", ", ".join(cuts))
    for fit in judgement.panels[:1]:
        how = ", turned" if fit.turned else ""
        text = f"{fit.boards} on {fit.width:.0f} × {fit.height:.0f} mm{how}, {fit.share:.0%} used"
        grid.add_row("panel", text if fit.boards else "fits on no panel of this shop")
    console.print(inset(grid))


def _board(facts: Facts) -> str:
    if finite(facts.width) is None or finite(facts.height) is None:
        return "size unknown: the data has no closed profile"
    area = finite(facts.area)
    of = f", {area / 100:.2f} cm² inside the profile" if area is not None else ""
    return f"{facts.width:.2f} × {facts.height:.2f} mm{of}"


def _stack(facts: Facts) -> str:
    parts = [plural(facts.conductors, "conductor layer")]
    thickness = finite(facts.thickness)
    parts.append(f"{thickness:.2f} mm thick" if thickness is not None else "thickness not stated")
    for side, copper in (("outer", facts.outer_copper_um), ("inner", facts.inner_copper_um)):
        if finite(copper) is not None:
            parts.append(f"{side} copper {copper:g} µm")
        elif side == "outer":
            parts.append("copper thickness not stated")
    return ", ".join(parts)


def _holes(facts: Facts, limit: int | None) -> str:
    hits = sum(hole.hits for hole in facts.holes)
    slots = sum(hole.slots for hole in facts.holes)
    density = finite(facts.hole_density_per_cm2)
    lines = [plural(hits, "hole")]
    if slots:
        lines.append(plural(slots, "slot"))
    if density is not None:
        lines.append(f"{density:.1f} per cm²")
    out = [", ".join(lines)]
    shown = facts.holes[: _lines(limit)]
    for hole in shown:
        size = (
            f"Ø {hole.diameter:.3f} mm" if finite(hole.diameter) is not None else "no size stated"
        )
        counts = [f"{hole.hits} ×"] if hole.hits else []
        counts += [plural(hole.slots, "slot")] if hole.slots else []
        plating = "plating unknown" if hole.plating == "unknown" else plain(hole.plating)
        out.append(f"{size:<14}  {plating:<15}  {', '.join(counts)}".rstrip())
    if len(shown) < len(facts.holes):
        out.append(f"… {plural(len(facts.holes) - len(shown), 'more size')}; --all lists them")
    return "\n".join(out)


def _tier_fit(judgement: Judgement, console: Console, limit: int | None) -> None:
    if not judgement.tier_fit:
        return
    console.print()
    console.print(Heading("fit to each tier", f"shop {plain(judgement.shop)}"))
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(no_wrap=True)
    grid.add_column(no_wrap=True)
    explained = any(not fit.fits for fit in judgement.tier_fit)
    if explained:  # an empty column would take width from the others
        grid.add_column(overflow="fold")
    for fit in judgement.tier_fit:
        name = Text(plain(fit.tier), "bold" if fit.tier == judgement.tier else "")
        kind, told = "fits", "fits"
        if not fit.fits:
            past = sum(fit.places.values())
            kind, told = ("query", f"{plural(past, 'place')} past it") if past else _UNTOLD
            if fit.waived:
                told += f", {fit.waived} of them waived"
        why = [Text("\n".join(_kept_out(fit, limit)), "dim")] if explained else []
        grid.add_row(mark(kind, console), name, told, *why)
    console.print(inset(grid))


def _kept_out(fit: TierFit, limit: int | None) -> list[str]:
    """One line per rule that keeps the job out of the tier, most places first."""
    listed = sorted(fit.places.items(), key=lambda item: (-item[1], item[0]))
    shown = listed[:limit]
    width = max((len(str(count)) for _, count in shown), default=0)
    lines = [
        f"{count:>{width}} × {rule}" if count else f"{rule} was not measured far enough"
        for rule, count in shown
    ]
    if len(shown) < len(listed):
        lines.append(f"… {plural(len(listed) - len(shown), 'more rule')}; --all lists them")
    if not fit.fits and not listed:
        lines.append("nothing was measured that it has a limit for")
    return lines


def _tightest(judgement: Judgement, console: Console, rules: Mapping[str, Rule]) -> None:
    per_rule = tightest_per_rule(judgement.tightest, rules)
    if not per_rule:
        return
    console.print()
    console.print(Heading("tightest value of each quantity"))
    found: dict[tuple[str, str], list[Finding]] = {}
    for finding in judgement.findings:
        for layer in finding.every_layer:
            found.setdefault((finding.rule, layer), []).append(finding)
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim")
    table.add_column("")
    table.add_column("rule", no_wrap=True)
    table.add_column("tightest", justify="right", no_wrap=True)
    table.add_column("limit", justify="right", no_wrap=True)
    table.add_column("layer", overflow="fold")
    table.add_column("x, y mm", justify="right", no_wrap=True)
    for item in per_rule:
        state = worst(found.get((item.rule, item.layer), [])) or "fits"
        if state == "fits" and item.limit is None:
            state = "none"
        elif state == "fits" and item.at_limit:
            state = "limit"
        value, limit = pair(finite(item.value), finite(item.limit), item.unit)
        table.add_row(
            mark(state, console),
            item.rule,
            Text(value, STYLES[state] if state in ("hold", "query") else ""),
            _bare(limit, value) if item.limit is not None else Text("no limit", "dim"),
            Text(plain(item.layer), "dim"),
            Text(_point(item.x, item.y), "dim"),
        )
    console.print(inset(table))
    if any(item.at_limit for item in per_rule):
        note = Text.assemble(
            mark("limit", console), (" at the limit within the uncertainty: meets it", "dim")
        )
        console.print(inset(note))


def tightest_per_rule(items: Sequence[Tightest], rules: Mapping[str, Rule]) -> list[Tightest]:
    """Of each rule the layer that stands worst against its limit (or tightest, without one)."""

    def margin(item: Tightest) -> float:
        rule = rules.get(item.rule)
        sign = -1.0 if rule is not None and rule.direction == "at-most" else 1.0
        return sign * (item.value - (item.limit if item.limit is not None else 0.0))

    best: dict[str, Tightest] = {}
    for item in items:
        if finite(item.value) is None:
            continue
        held = best.get(item.rule)
        # a judged layer tells more than one without a limit
        key = (item.limit is None, margin(item))
        if held is None or key < (held.limit is None, margin(held)):
            best[item.rule] = item
    order = {str(step): n for n, step in enumerate(Step)}
    return sorted(best.values(), key=lambda t: (order.get(t.rule.split(".")[0], 99), t.rule))


def _steps(judgement: Judgement, console: Console) -> None:
    """The fabrication steps in a row, each with its worst mark and number of findings."""
    console.print()
    count = len(judgement.findings)
    console.print(Heading("findings by fabrication step", plural(count, "finding")))
    measured = {rule.split(".")[0] for rule, _ in judgement.screening.measured}
    partly = {gap.rule.split(".")[0] for gap in judgement.screening.gaps if gap.rule}
    measured.add(str(Step.DATA))
    names, marks = Text(), Text()
    used: set[str] = set()
    for step in Step:
        here = [f for f in judgement.findings if f.step == step]
        kind = worst(here) or (
            "none" if step not in measured else "part" if step in partly else "fits"
        )
        used.add(kind)
        names.append(f"{step:<{_STEP_WIDTH}}", "" if kind != "none" else "dim")
        cell = mark(kind, console)
        if here:
            cell.append(f" {len(here)}")
        cell.pad_right(_STEP_WIDTH - cell.cell_len)
        marks.append_text(cell)
    console.print(inset(names), no_wrap=True, crop=True)
    console.print(inset(marks), no_wrap=True, crop=True)
    words = {
        "hold": "hold",
        "query": "query",
        "note": "note",
        "waived": "waived",
        "fits": "nothing found",
        "part": "nothing found, measured in part",
        "none": "not measured",
    }
    key = Text()
    for kind, word in words.items():
        if kind in used:
            key.append_text(mark(kind, console)).append(f" {word}   ", "dim")
    key.rstrip()
    console.print(inset(key))
    if count:
        told = "the code that ends a finding names it, for dfmcheck waive"
        console.print(inset(Text(told, "dim")))


def print_assumptions(
    assumptions: Sequence[Assumption], console: Console, limit: int | None
) -> None:
    """Print what was taken for true, the most doubtful first."""
    if not assumptions:
        return
    console.print()
    doubtful = sum(item.doubtful for item in assumptions)
    remark = f"{doubtful} doubtful" if doubtful else ""
    console.print(Heading("taken for true, and why", remark))
    ordered = sorted(assumptions, key=lambda item: item.confidence)
    for item in ordered[: _lines(limit)]:
        sign = mark("query" if item.doubtful else "none", console)
        file = f"{plain(item.file)}, " if item.file else ""
        text = Text(f"{file}{plain(item.subject)}: {plain(item.value)}")
        text.append(f"  {item.confidence:.0%} sure", "" if item.doubtful else "dim")
        text.append(f"\n{plain(item.evidence)}", "dim")
        console.print(hanging(sign, text))
    _more(len(ordered), limit, "assumption", console)


def _coverage(judgement: Judgement, console: Console, limit: int | None) -> None:
    screening = judgement.screening
    unread = [entry for entry in screening.files if not entry.read]
    gaps = _gaps(screening.gaps)
    lines: list[tuple[str, str]] = [
        (f"{plain(entry.name)} ({plain(entry.role)})", "could not be read") for entry in unread
    ]
    lines += gaps
    unjudged: dict[str, list[str]] = {}
    for rule, why in judgement.not_judged:
        unjudged.setdefault(why, []).append(rule)
    lines += [
        (", ".join(ids), f"measured, not judged: {plain(why)}") for why, ids in unjudged.items()
    ]
    console.print()
    measured = {rule for rule, _ in screening.measured}
    remark = f"{plural(len(measured), 'quantity', 'quantities')} measured"
    console.print(Heading("not covered", remark))
    if not lines:
        console.print(inset(Text("no gap known in what was to be measured")))
    for what, why in lines[: _lines(limit)]:
        text = Text(what)
        text.append(f"  {why}", "dim")
        console.print(hanging(mark("none", console), text))
    _more(len(lines), limit, "line", console)


def _gaps(gaps: Sequence[Gap]) -> list[tuple[str, str]]:
    """Gaps with the same rule and reason on one line, their layers joined."""
    layers: dict[tuple[str, str], list[str]] = {}
    for gap in gaps:
        layers.setdefault((gap.rule, gap.reason), []).append(gap.layer)
    out = []
    for (rule, reason), names in layers.items():
        on = ", ".join(dict.fromkeys(plain(name) for name in names if name))
        what = rule or "whole package"
        out.append((f"{what} on {on}" if on else what, plain(reason)))
    return out


def _more(total: int, limit: int | None, noun: str, console: Console) -> None:
    shown = _lines(limit)
    hidden = 0 if shown is None else total - shown
    if hidden > 0:
        text = Text(f"… {plural(hidden, f'more {noun}')}; --all lists them", "dim")
        console.print(inset(text, INDENT + 2))


def _lines(limit: int | None) -> int | None:
    """Lines shown of a list other than findings."""
    return None if limit is None else max(limit, _LIST_LINES)


def _point(x: float | None, y: float | None) -> str:
    if finite(x) is None or finite(y) is None:
        return "–"
    return f"{x:.2f}, {y:.2f}"


def _bare(limit: str, value: str) -> str:
    """A limit without its unit, where the value beside it has the same."""
    number, _, unit = limit.partition(" ")
    return number if unit and value.endswith(f" {unit}") else limit


def _grid() -> Table:
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(style="dim", no_wrap=True, min_width=12)
    grid.add_column(overflow="fold")
    return grid
