"""The files a finished job offers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from dfmcheck.capability import Shop
from dfmcheck.judge.finding import Judgement
from dfmcheck.measure.rule import Rule

Maker = Callable[[Judgement, Shop, Mapping[str, Rule], float | None], str]
MEASUREMENTS = "measurements.dfm"


@dataclass(frozen=True, slots=True)
class ResultFile:
    """One file: its name, what it is served as, and what makes it (None: the child itself)."""

    name: str
    media_type: str
    told: str
    made: Maker | None


def _json(judgement: Judgement, *_: object) -> str:
    from dfmcheck.report.json_report import dumps

    return dumps(judgement)


def _csv(judgement: Judgement, *_: object) -> str:
    from dfmcheck.report.csv_report import to_csv

    return to_csv(judgement)


def _html(judgement: Judgement, shop: Shop, rules: Mapping[str, Rule], copper: float | None) -> str:
    from dfmcheck.report.html import to_html

    return to_html(judgement, shop, rules, copper)


def _sarif(judgement: Judgement, shop: Shop, rules: Mapping[str, Rule], _: float | None) -> str:
    from dfmcheck.report.sarif import dumps

    return dumps(judgement, rules)


def _junit(judgement: Judgement, shop: Shop, rules: Mapping[str, Rule], _: float | None) -> str:
    from dfmcheck.report.junit import to_junit

    return to_junit(judgement, rules)


FILES: dict[str, ResultFile] = {
    "html": ResultFile("report.html", "text/html; charset=utf-8", "Report as HTML", _html),
    "json": ResultFile("findings.json", "application/json", "Findings as JSON", _json),
    "csv": ResultFile("findings.csv", "text/csv; charset=utf-8", "Findings as CSV", _csv),
    "sarif": ResultFile("findings.sarif", "application/sarif+json", "SARIF", _sarif),
    "junit": ResultFile("findings.junit.xml", "application/xml", "JUnit XML", _junit),
    "measurements": ResultFile(
        MEASUREMENTS, "application/zip", "Measurements, to judge again without measuring", None
    ),
}
