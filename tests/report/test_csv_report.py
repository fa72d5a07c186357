"""The findings table."""

from __future__ import annotations

import csv
import dataclasses
import io

import made_up

from dfmcheck.report.csv_report import COLUMNS, to_csv


def _rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_one_row_per_finding_under_a_heading() -> None:
    judgement = made_up.judgement()
    text = to_csv(judgement)
    rows = _rows(text)
    assert text.splitlines()[0] == ",".join(COLUMNS)
    assert len(rows) == len(judgement.findings)
    row = next(row for row in rows if row["fingerprint"] == "ee00")
    assert (row["measured"], row["limit"], row["unit"]) == ("0.0712", "0.075", "mm")
    assert (row["x_mm"], row["y0_mm"], row["count"]) == ("23.4123", "9.8", "14")
    assert row["sources"] == "heater-top.gtl line 1204 (code 12), line 1310 (code 14)"


def test_missing_numbers_are_empty_cells() -> None:
    row = _rows(to_csv(made_up.judgement()))[0]
    assert row["measured"] == row["x_mm"] == row["x0_mm"] == ""


def test_text_a_spreadsheet_would_run_is_led_by_an_apostrophe_and_keeps_its_row() -> None:
    odd = made_up.finding(nets=("+3V3",), message='=1+1, "quoted"\nand a second line')
    judgement = dataclasses.replace(made_up.judgement(), findings=(odd,))
    (row,) = _rows(to_csv(judgement))
    assert row["nets"] == "'+3V3"
    assert row["message"] == '\'=1+1, "quoted" and a second line'


def test_no_findings_give_the_heading_alone() -> None:
    assert to_csv(made_up.clean()) == ",".join(COLUMNS) + "\r\n"
