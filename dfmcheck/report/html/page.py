"""Puts the page together: template, style, script and data in one file.

The page needs no network and asks for none: a Content-Security-Policy allows only the style and
script it carries, by their hashes, so that nothing in a customer's data can ever run.
"""

from __future__ import annotations

import base64
import hashlib
from collections import Counter
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from dfmcheck import __version__
from dfmcheck.capability import Shop
from dfmcheck.judge.finding import Judgement, TierFit, ToReach, Verdict
from dfmcheck.measure.rule import Rule
from dfmcheck.report.html.job import copper_rows, hole_rows, job_facts
from dfmcheck.report.html.payload import blocks, entry
from dfmcheck.report.html.spread import HEIGHT, WIDTH, families
from dfmcheck.report.terminal import tightest_per_rule
from dfmcheck.report.terminal_findings import STEP_WORDS
from dfmcheck.report.text import CAUTION, SEVERITIES, finite, pair, plain, plural, sentence

LISTED = 300
"""Findings in the list that is printed, and read where scripts do not run."""
MEANING = {
    Verdict.RELEASE: "Nothing to ask. Everything measured meets the limits.",
    Verdict.QUERY: "An engineer must ask or decide before this job goes on.",
    Verdict.HOLD: "It cannot be built, or cannot be trusted, as sent.",
}
_STYLES = ("page.css", "board.css")
_SCRIPTS = (
    "start.js", "outlines.js", "paint.js", "sheet.js", "pointer.js", "stack.js", "findings.js",
    "chosen.js", "printing.js", "open.js",
)  # fmt: skip


def to_html(
    judgement: Judgement, shop: Shop, rules: Mapping[str, Rule], copper_um: float | None = None
) -> str:
    """The whole report as one HTML document.

    Parameters
    ----------
    judgement : Judgement
    shop : Shop
        The shop it was judged for; its limits are drawn into the histograms.
    rules : mapping of rule id to Rule
    copper_um : float, optional
        Finished copper in µm as it was given for judging.
    """
    environment = Environment(
        loader=PackageLoader("dfmcheck.report.html"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["plain"] = plain
    style = "\n".join(_asset(name) for name in _STYLES)
    script = "(() => {\n'use strict';\n" + "\n".join(_asset(name) for name in _SCRIPTS) + "})();\n"
    screening = judgement.screening
    return environment.get_template("report.html").render(
        policy=(
            f"default-src 'none'; style-src '{_hash(style)}'; script-src '{_hash(script)}'; "
            "img-src data: blob:; base-uri 'none'; form-action 'none'"
        ),
        style=style,
        script=script,
        blocks=blocks(judgement, rules),
        judgement=judgement,
        verdict=str(judgement.verdict),
        meaning=MEANING[judgement.verdict],
        package=plain(screening.package),
        shop_title=plain(shop.title),
        reasons=[sentence(plain(reason)) for reason in judgement.reasons],
        counts=_counts(judgement),
        fits=[_fit(fit, judgement, rules) for fit in judgement.tier_fit],
        facts=job_facts(judgement),
        holes=hole_rows(screening.facts),
        copper=copper_rows(screening.facts),
        drawn=screening.drawing is not None,
        printed=[entry(f, rules.get(f.rule)) for f in judgement.findings[:LISTED]],
        families=families(judgement, shop, rules, copper_um),
        tightest=_tightest(judgement, rules),
        plot_width=WIDTH,
        plot_height=HEIGHT,
        assumptions=sorted(screening.assumptions, key=lambda item: item.confidence),
        uncovered=_uncovered(judgement),
        files=screening.files,
        step_words={str(step): words for step, words in STEP_WORDS.items()},
        caution=CAUTION,
        version=__version__,
        plural=plural,
    )


def _asset(name: str) -> str:
    return (files("dfmcheck.report.html") / "assets" / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """Hash source of an inline style or script (Content Security Policy Level 3, 2.3.1)."""
    digest = hashlib.sha256(text.encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


def _counts(judgement: Judgement) -> list[tuple[str, str]]:
    tally = Counter(finding.severity for finding in judgement.findings)
    many = {"query": "queries"}
    return [
        (severity, plural(tally[severity], severity, many.get(severity, "")))
        for severity in SEVERITIES
        if tally[severity]
    ]


def _fit(fit: TierFit, judgement: Judgement, rules: Mapping[str, Rule]) -> dict[str, Any]:
    """A tier as one sentence, the rules that keep the board out, and what it would take."""
    places = sum(fit.places.values())
    if fit.fits:
        told = "takes this board"
    elif places:
        told = f"{plural(places, 'place')} {'keeps' if places == 1 else 'keep'} this board out"
    else:
        told = "cannot be told"
    listed = sorted(fit.places.items(), key=lambda item: (-item[1], item[0]))
    most = max((count for _, count in listed), default=0)
    reach = next((item for item in judgement.to_reach if item.tier == fit.tier), None)
    return {
        "tier": plain(fit.tier),
        "chosen": fit.tier == judgement.tier,
        "fits": fit.fits,
        "told": told,
        "waived": fit.waived,
        "rules": [
            {
                "id": rule,
                "quantity": rules[rule].quantity if rule in rules else rule,
                "count": count,
                # the root lets a bar of 8 be seen beside one of 100 000
                "bar": round((count / most) ** 0.5 * 100, 1) if most else 0,
            }
            for rule, count in listed
        ],
        "changes": _changes(reach),
    }


def _changes(reach: ToReach | None) -> str:
    if reach is None or not reach.changes:
        return ""
    text = f"{plural(reach.changes, 'spot')} would have to change"
    alone = [b.rule for b in reach.blockers if b.alone == reach.tier]
    return text + (f"; {alone[0]} alone would be enough" if alone else "")


def _tightest(judgement: Judgement, rules: Mapping[str, Rule]) -> list[dict[str, Any]]:
    out = []
    for item in tightest_per_rule(judgement.tightest, rules):
        value, limit = pair(finite(item.value), finite(item.limit), item.unit)
        most = item.rule in rules and rules[item.rule].direction == "at-most"
        past = item.limit is not None and (
            item.value > item.limit if most else item.value < item.limit
        )
        state = "no limit" if item.limit is None else "at the limit" if item.at_limit else ""
        out.append(
            {
                "rule": item.rule,
                "quantity": rules[item.rule].quantity if item.rule in rules else "",
                "value": value,
                "limit": limit if item.limit is not None else "–",
                "state": state or ("past the limit" if past else "meets it"),
                "past": past and not item.at_limit,
                "layer": plain(item.layer),
                "at": f"{item.x:.3f}, {item.y:.3f}" if finite(item.x) is not None else "–",
            }
        )
    return out


def _uncovered(judgement: Judgement) -> list[tuple[str, str]]:
    """What was not measured or not judged, and why."""
    screening = judgement.screening
    out = [(plain(f.name), "the file could not be read") for f in screening.files if not f.read]
    for gap in screening.gaps:
        what = " on ".join(plain(part) for part in (gap.rule, gap.layer) if part)
        out.append((what or "whole package", plain(gap.reason)))
    out += [(rule, f"measured, not judged: {plain(why)}") for rule, why in judgement.not_judged]
    return out
