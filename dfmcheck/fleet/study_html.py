"""A study as one HTML file with charts, that needs nothing else and runs no script."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dfmcheck.fleet import charts, study_words
from dfmcheck.fleet.costs import Cost
from dfmcheck.fleet.dataset import FAILURES
from dfmcheck.fleet.study import VERDICTS, Study
from dfmcheck.fleet.study_words import HOLDS_HELP, NOT_COUNTED, TIER_HELP, customer, share
from dfmcheck.report.text import CAUTION, plain, plural

_CURVES = 8  # limits drawn per question
_SHOWN = 40  # rows of a table
_BARS = 25  # rows of a chart


def to_html(study: Study) -> str:
    """The page as text."""
    from jinja2 import Environment, PackageLoader, select_autoescape
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("dfmcheck.fleet", "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    text: str = environment.get_template("study.html.j2").render(
        study=study, plain=plain, share=share, customer=customer, caution=CAUTION,
        verdicts=VERDICTS, failure=FAILURES, kept_by=study_words.kept_by,
        made_by=study_words.made_by(study), unopened=study_words.unopened(study),
        plural=plural, shown=_SHOWN, not_counted=NOT_COUNTED,
        charts={name: Markup(svg) for name, svg in _charts(study).items()},
        questions=[
            _question(study, study.holds, "hold", Markup),
            _question(study, study.tier_costs, "tier", Markup),
        ],
    )  # fmt: skip
    return text


def _charts(study: Study) -> dict[str, str]:
    verdicts = [
        (f"{name}, {share(study.verdicts[name], study.jobs)}", [(name, study.verdicts[name])])
        for name in VERDICTS
    ]
    if study.not_screened:
        verdicts.append(("not screened", [("none", study.not_screened)]))
    tiers = [
        (f"{plain(one.tier)}, {share(one.takes, study.jobs)}", [("takes", one.takes)])
        for one in study.tier_shares
    ]
    tiers.append((f"none, {share(study.no_tier, study.jobs)}", [("none", study.no_tier)]))
    common: dict[str, dict[str, int]] = {}
    for one in study.common:
        common.setdefault(one.rule, {})[one.severity] = one.jobs
    rows = [
        (rule, [(severity, jobs.get(severity, 0)) for severity in ("hold", "query", "note")])
        for rule, jobs in common.items()
    ]
    customers = [
        (
            customer(row.customer),
            [*((name, row.verdicts[name]) for name in VERDICTS), ("none", row.not_screened)],
        )
        for row in study.customers
    ]
    return {
        "verdicts": charts.bars(verdicts, "Jobs by verdict", study.jobs),
        "tiers": charts.bars(tiers, "Jobs each tier takes", study.jobs),
        "common": charts.bars(rows[:_BARS], "Jobs with findings of each rule"),
        "customers": charts.bars(customers[:_BARS], "Verdicts by customer"),
    }


def _question(study: Study, costs: Sequence[Cost], question: str, safe: Any) -> dict[str, Any]:
    steps = [cost for cost in costs if cost.steps]
    said = [text for cost in costs if (text := study_words.headline(cost, question))]
    holds = question == "hold"
    return {
        "id": question,
        "title": "What holds jobs" if holds else f"What keeps jobs out of tier {plain(study.tier)}",
        "kept": study.held_by if holds else study.kept_out_by,
        "said": said[:5],
        "help": HOLDS_HELP if holds else TIER_HELP,
        "costs": [_row(cost) for cost in costs[:_SHOWN]],
        "more": max(len(costs) - _SHOWN, 0),
        "curves": [
            {
                "title": plain(study_words.title(cost)),
                "rule": cost.rule,
                "svg": safe(
                    charts.curve(
                        cost.steps, cost.value, cost.at_most, cost.unit,
                        f"Jobs let in by moving {cost.rule}",
                    )
                ),
            }
            for cost in steps[:_CURVES]
        ],
    }  # fmt: skip


def _row(cost: Cost) -> dict[str, Any]:
    return {
        "rule": cost.rule,
        "condition": plain(cost.condition),
        "quantity": plain(cost.quantity),
        "now": study_words.value(cost, cost.value),
        "tier": plain(cost.tier),
        "alone": cost.alone,
        "shared": cost.shared,
        "moves": [(study_words.value(cost, m.value), study_words.moved(m)) for m in cost.moves],
    }
