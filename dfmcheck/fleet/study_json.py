"""A study as JSON; lengths mm, other values in the unit told beside them."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import dfmcheck
from dfmcheck.fleet.study import Study
from dfmcheck.report.text import CAUTION, finite

SCHEMA_VERSION = "1.0"


def to_json(study: Study) -> dict[str, Any]:
    """The study as plain dicts and lists, in the names of :class:`~dfmcheck.fleet.study.Study`."""
    body: dict[str, Any] = asdict(study)
    body["doubts"] = [{"reason": reason, "jobs": jobs} for reason, jobs in study.doubts]
    for row in body["customers"]:
        row["commonest"] = [{"rule": rule, "jobs": jobs} for rule, jobs in row["commonest"]]
    for cost in (*body["holds"], *body["tier_costs"]):
        cost["steps"] = [{"value": finite(value), "jobs": jobs} for value, jobs in cost["steps"]]
    return {
        "schema_version": SCHEMA_VERSION,
        "tool": {"name": "dfmcheck", "version": dfmcheck.__version__},
        **body,
        "caution": CAUTION,
    }


def dumps(study: Study) -> str:
    """:func:`to_json` as text ending in a newline; plain ASCII, so any reader takes it."""
    return json.dumps(to_json(study), indent=2, allow_nan=False) + "\n"
