"""Judges a screening against a shop: findings, verdict with reasons, fit of every tier."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches

import numpy as np

from dfmcheck.capability import Limit, Shop
from dfmcheck.errors import UsageError
from dfmcheck.judge.cluster import findings_of
from dfmcheck.judge.defects import assumption_findings, defect_findings
from dfmcheck.judge.economics import to_reach
from dfmcheck.judge.finding import Finding, Judgement, TierFit, Verdict, WaiverUse
from dfmcheck.judge.limits import Copper, limit_by_copper
from dfmcheck.judge.message import fingerprint, natural, number, places_text
from dfmcheck.judge.opted import opt_in_reasons
from dfmcheck.judge.panels import panel_fits
from dfmcheck.judge.segments import Compared, compare
from dfmcheck.judge.thickness import with_thickness
from dfmcheck.judge.waivers import Waivers, apply
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.screening import Screening
from dfmcheck.terms import Step, Weight


def judge(
    screening: Screening,
    shop: Shop,
    *,
    tier: str | None = None,
    thickness: float | None = None,
    copper_um: float | None = None,
    rules: Mapping[str, Rule],
    waivers: Waivers | None = None,
    today: datetime.date | None = None,
) -> Judgement:
    """Judge what was measured against what a shop can make.

    A place meets a limit when its value, after the shop's drilling allowance, is not past it by
    more than its own uncertainty. What was not measured, or not far enough, never counts as
    met: it becomes a reason for at least ``query``.

    Parameters
    ----------
    screening : Screening
    shop : Shop
    tier : str, optional
        Tier judged against; the shop's default tier when left out.
    thickness : float, optional
        Board thickness in mm, in place of what the data states.
    copper_um : float, optional
        Finished copper in µm on every layer, in place of what the data states.
    rules : mapping of rule id to Rule
    waivers : Waivers, optional
        Findings somebody accepted; they stay in the list and do not count in the verdict.
    today : date, optional
        Day on which a waiver must not have expired; the machine's day when left out.

    Raises
    ------
    UsageError
        The shop has no such tier, or a thickness or copper that is not positive.
    """
    chosen = tier_of(shop, tier)
    for name, given in (("thickness", thickness), ("copper", copper_um)):
        if given is not None and not 0 < given < np.inf:
            raise UsageError(f"{name} {given:g}", "a number above zero", "Correct it.")
    given_screening = screening
    screening = with_thickness(screening, thickness, rules)
    places = screening.places
    copper = Copper.of(screening.facts, copper_um)
    compared = compare(places, shop, chosen, copper, rules)

    findings = findings_of(compared.failing, places, shop, chosen, rules)
    findings += defect_findings(screening.defects, rules)
    findings += assumption_findings(screening.assumptions, rules)
    order = {id_: n for n, id_ in enumerate(rules)}
    findings = _distinct(sorted(findings, key=lambda f: _place_in_list(f, order)))

    doubts = doubts_of(screening, shop, chosen, compared, copper, rules)
    use = None
    if waivers is not None:
        findings, use = apply(findings, waivers, today or datetime.date.today())
    verdict, reasons = _verdict(findings, doubts, chosen, rules)
    reasons += _waiver_reasons(findings, use, rules)
    reasons += _notes(screening, shop, copper)
    fits = tuple(tier_fit(name, screening, shop, compared, findings) for name in shop.tiers)
    return Judgement(
        screening=given_screening,
        shop=shop.name,
        tier=chosen,
        tiers=shop.tiers,
        verdict=verdict,
        reasons=tuple(reasons),
        findings=tuple(findings),
        tightest=tuple(sorted(compared.tightest, key=lambda t: (order[t.rule], natural(t.layer)))),
        tier_fit=fits,
        panels=panel_fits(screening.facts, shop),
        not_judged=_not_judged(screening, shop, chosen, compared, rules),
        to_reach=to_reach(compared.blocking, places, shop, fits, rules),
        waivers=use,
        doubts=tuple(doubts),
    )


def tier_of(shop: Shop, tier: str | None) -> str:
    """The tier named, or the shop's default; UsageError for one the shop does not have."""
    if tier is None:
        return shop.default_tier
    if tier not in shop.tiers:
        close = get_close_matches(tier, shop.tiers, n=1)
        raise UsageError(
            f"shop {shop.name} has no tier '{tier}'",
            "one of " + ", ".join(shop.tiers),
            f"Did you mean '{close[0]}'?" if close else "Choose one of them.",
        )
    return tier


# -- order and identity of findings -----------------------------------------------------


def _place_in_list(finding: Finding, order: Mapping[str, int]) -> tuple[object, ...]:
    past = 0.0
    if finding.measured is not None and finding.limit is not None:
        past = -abs(finding.measured - finding.limit)
    first = finding.sources[0] if finding.sources else None
    return (
        -Weight[finding.severity.upper()],
        order.get(finding.rule, -1),
        finding.rule,
        natural(finding.layer),
        bool(finding.fits),
        round(past, 6),
        finding.x or 0.0,
        finding.y or 0.0,
        first.file if first else "",
        (first.line if first else 0) or 0,
        finding.message,
    )


def _distinct(findings: Sequence[Finding]) -> list[Finding]:
    """Number the repeats of a fingerprint, so that a waiver of one does not waive another."""
    seen: dict[str, int] = {}
    out: list[Finding] = []
    for finding in findings:
        seen[finding.fingerprint] = n = seen.get(finding.fingerprint, 0) + 1
        if n > 1:
            finding = replace(finding, fingerprint=fingerprint(finding.fingerprint, n))
        out.append(finding)
    return out


# -- why a screening cannot be trusted ---------------------------------------------------


def doubts_of(
    screening: Screening, shop: Shop, tier: str, compared: Compared, copper: Copper,
    rules: Mapping[str, Rule],
) -> list[str]:  # fmt: skip
    """What was not measured, or not far enough, for a release; one sentence each. Of
    ``compared``, only ``judged`` and ``no_number`` are looked at."""
    return [
        *_gap_reasons(screening, shop, tier),
        *_unmeasured_reasons(screening, shop, tier, compared, rules),
        *opt_in_reasons(screening, shop, tier, copper, rules),
        *_reach_reasons(screening, shop, tier),
        *(
            f"{places_text(n)} of {id_} came without a number and could not be judged"
            for id_, n in sorted(compared.no_number.items())
        ),
    ]


def _limited(shop: Shop, tier: str) -> dict[str, Limit]:
    return {
        id_: limit
        for id_, limit in shop.limits.items()
        if tier in limit.values or any(tier in variant.values for variant in limit.variants)
    }


def _gap_reasons(screening: Screening, shop: Shop, tier: str) -> list[str]:
    limited = _limited(shop, tier)
    where: dict[tuple[str, str], list[str]] = {}
    for gap in screening.gaps:
        if gap.rule == "" or gap.rule in limited:
            where.setdefault((gap.rule, gap.reason), []).append(gap.layer)
    out = []
    for (id_, reason), layers in where.items():
        on = ", ".join(dict.fromkeys(layer for layer in layers if layer))
        subject = f"{id_} was not wholly measured" if id_ else "The package was not wholly measured"
        out.append(f"{subject}{f' on {on}' if on else ''}: {reason}")
    return out


def _unmeasured_reasons(
    screening: Screening, shop: Shop, tier: str, compared: Compared, rules: Mapping[str, Rule]
) -> list[str]:
    covered = {id_ for id_, _ in screening.measured} | {gap.rule for gap in screening.gaps}
    limited = _limited(shop, tier)
    if not compared.judged and not any(id_ in limited for id_, _ in screening.measured):
        return [f"Nothing was measured that tier {tier} of shop {shop.name} has a limit for"]
    return [
        f"{id_} has a limit in tier {tier} but was not measured"
        for id_ in limited
        if id_ not in covered
        and id_ not in compared.judged
        and not (id_ in rules and rules[id_].opt_in)
    ]


def _short_of_reach(screening: Screening, shop: Shop, tier: str) -> dict[str, float]:
    """Rules whose limit, allowance added, lies beyond what was measured: id → how far."""
    out = {}
    for id_, limit in _limited(shop, tier).items():
        reach = screening.reach.get(id_)
        if reach is None or limit.unit != "mm" or limit.direction != "at-least":
            continue
        needed = shop.reach_of(limit, limit.all_values(tier))
        if needed > reach + 1e-6:
            out[id_] = needed
    return out


def _reach_reasons(screening: Screening, shop: Shop, tier: str) -> list[str]:
    return [
        f"{id_} was listed up to {number(screening.reach[id_], 'mm')} only; tier {tier} needs it "
        f"up to {number(needed, 'mm', screening.reach[id_])}: screen the package again for "
        f"shop {shop.name}"
        for id_, needed in _short_of_reach(screening, shop, tier).items()
    ]


def _notes(screening: Screening, shop: Shop, copper: Copper) -> list[str]:
    """What a reader should know beside the verdict, though it does not change it."""
    by_copper = [id_ for id_, limit in shop.limits.items() if limit_by_copper(limit)]
    if copper.unstated and by_copper and len(screening.places):
        return [
            "Finished copper is not stated for every layer; there the limits for the shop's base "
            f"copper were used ({', '.join(by_copper)})"
        ]
    return []


# -- results -----------------------------------------------------------------------------


def _verdict(
    findings: Sequence[Finding], doubts: list[str], tier: str, rules: Mapping[str, Rule]
) -> tuple[Verdict, list[str]]:
    tally: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        if finding.waived is None:
            tally.setdefault((finding.severity, finding.rule), []).append(finding)
    reasons = [
        _reason(severity, mine, rules.get(id_), tier)
        for (severity, id_), mine in tally.items()
        if severity != "note"
    ]
    severities = {severity for severity, _ in tally}
    reasons += doubts
    if "hold" in severities:
        return Verdict.HOLD, reasons
    if "query" in severities or doubts:
        return Verdict.QUERY, reasons
    waived = any(f.waived is not None and f.severity != "note" for f in findings)
    met = f"Everything measured meets the limits of tier {tier}{' or is waived' if waived else ''}"
    return Verdict.RELEASE, [met, *reasons]


def _waiver_reasons(
    findings: Sequence[Finding], use: WaiverUse | None, rules: Mapping[str, Rule]
) -> list[str]:
    """Who waived how much, the cautions that go with it, and waivers that do not count."""
    by_name: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.waived is not None:
            by_name.setdefault(finding.waived.name, []).append(finding)
    out = []
    for name, mine in by_name.items():
        ids = list(dict.fromkeys(finding.rule for finding in mine))
        count = f"{len(mine)} finding{'' if len(mine) == 1 else 's'}"
        places = sum(finding.count for finding in mine)
        at = f" at {places_text(places)}" if places != len(mine) else ""
        out.append(f"Waived by {name}: {count}{at} ({', '.join(ids)})")
        out += [
            f"Caution on the waiver of {id_}: {rule.caution.rstrip('.')}"
            for id_ in ids
            if (rule := rules.get(id_)) is not None and rule.caution
        ]
    for waiver, why in use.unused if use is not None else ():
        out.append(
            f"The waiver of {waiver.fingerprint} ({waiver.rule}) by {waiver.name} does not count: "
            f"{why}"
        )
    return list(dict.fromkeys(out))


def _reason(severity: str, findings: Sequence[Finding], rule: Rule | None, tier: str) -> str:
    """One sentence for all findings of one rule and severity."""
    first = min(findings, key=_by_weight)
    count = f"{len(findings)} finding" + ("" if len(findings) == 1 else "s")
    places = sum(f.count for f in findings)
    if places != len(findings):
        count += f" at {places_text(places)}"
    quantity = rule.quantity if rule else first.rule
    if first.measured is None:
        return f"{quantity} ({first.rule}): {count}"
    value = number(first.measured, first.unit, against=first.limit)
    beyond = "no tier of this shop takes" if not first.fits else f"tier {tier} does not take"
    return f"{quantity} {value} on {first.layer}, which {beyond} ({first.rule}): {count}"


def _by_weight(finding: Finding) -> tuple[bool, float]:
    """What no tier takes comes first, then what is furthest past its limit."""
    if finding.measured is None or finding.limit is None:
        return bool(finding.fits), 0.0
    return bool(finding.fits), -round(abs(finding.measured - finding.limit), 6)


def tier_fit(
    tier: str, screening: Screening, shop: Shop, compared: Compared, findings: Sequence[Finding]
) -> TierFit:
    """A tier fits when nothing measured keeps the job out; a rule listed with 0 places was not
    measured far enough to tell."""
    places = dict.fromkeys(_short_of_reach(screening, shop, tier), 0)
    places |= compared.kept_out[tier]
    measured = {id_ for id_, _ in screening.measured} | compared.judged
    # a waived place fails every tier up to the one its finding names
    waived = sum(
        f.count
        for f in findings
        if f.waived is not None
        and f.tier in shop.tiers
        and shop.tiers.index(tier) <= shop.tiers.index(f.tier)
    )
    fits = bool(measured & _limited(shop, tier).keys()) and not places
    return TierFit(tier, fits, places, min(waived, sum(places.values())))


def _not_judged(
    screening: Screening, shop: Shop, tier: str, compared: Compared, rules: Mapping[str, Rule]
) -> tuple[tuple[str, str], ...]:
    out: dict[str, str] = {}
    measured = [id_ for id_, _ in screening.measured]
    limited = _limited(shop, tier)
    for id_ in dict.fromkeys([*measured, *compared.no_limit]):
        rule = rules.get(id_)
        if rule is None:
            out[id_] = "measured by another version; this one has no rule of that name"
        elif rule.step == Step.DATA:
            continue
        elif id_ not in shop.limits:
            out[id_] = f"shop {shop.name} gives no limit"
        elif id_ in compared.no_limit:
            part = (
                "" if id_ not in compared.judged else f" for {places_text(compared.no_limit[id_])}"
            )
            out[id_] = f"shop {shop.name} gives no limit in tier {tier}{part}"
        elif id_ not in limited:
            out[id_] = f"shop {shop.name} gives no limit in tier {tier}"
    return tuple(out.items())
