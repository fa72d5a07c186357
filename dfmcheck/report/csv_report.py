"""The findings as a table, one row per finding, for spreadsheets and gates."""

from __future__ import annotations

import csv
import io

from dfmcheck.judge.finding import Finding, Judgement
from dfmcheck.report.text import finite, plain, sources

COLUMNS = (
    "step", "severity", "rule", "layer", "x_mm", "y_mm",
    "x0_mm", "y0_mm", "x1_mm", "y1_mm",
    "measured", "limit", "unit", "raw", "uncertainty", "tier", "fits", "count",
    "nets", "message", "remedy", "who", "sources", "fingerprint", "waived",
)  # fmt: skip
GAP = "gap"
"""What stands for a severity where something was not measured."""


def to_csv(judgement: Judgement) -> str:
    """Findings in the judgement's order under a heading row of :data:`COLUMNS`.

    A row with severity :data:`GAP` follows for each thing that was not measured for a release,
    so that the table of a partial screen is never empty.

    Numbers are written in full with a decimal point; a missing number is an empty cell. A
    text that a spreadsheet would take for a formula (``+3V3``) is led by an apostrophe; the
    JSON report has names exactly as in the data.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180, clause 2
    writer.writerow(COLUMNS)
    writer.writerows(_row(finding) for finding in judgement.findings)
    writer.writerows(_gap(doubt) for doubt in judgement.doubts)
    return out.getvalue()


def _gap(doubt: str) -> list[str]:
    cells = dict.fromkeys(COLUMNS, "") | {"severity": GAP, "message": _cell(doubt)}
    return list(cells.values())


def _row(finding: Finding) -> list[str]:
    box = finding.bbox or (None, None, None, None)
    return [
        str(finding.step),
        str(finding.severity),
        finding.rule,
        _cell(" | ".join(finding.every_layer)),
        _number(finding.x),
        _number(finding.y),
        *(_number(value) for value in box),
        _number(finding.measured),
        _number(finding.limit),
        finding.unit,
        _number(finding.raw),
        _number(finding.uncertainty),
        _cell(finding.tier),
        _cell(finding.fits),
        str(finding.count),
        _cell(" | ".join(finding.nets)),
        _cell(finding.message),
        _cell(finding.remedy),
        finding.who,
        _cell(sources(finding.sources, most=len(finding.sources))),
        finding.fingerprint,
        _cell(_waived(finding)),
    ]


def _waived(finding: Finding) -> str:
    waiver = finding.waived
    return f"by {waiver.name}: {waiver.reason}" if waiver is not None else ""


def _number(value: float | None) -> str:
    value = finite(value)
    return "" if value is None else f"{value:.6f}".rstrip("0").rstrip(".")


def _cell(text: str) -> str:
    text = plain(text)
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) else text
