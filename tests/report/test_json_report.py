"""The JSON report against its published schema."""

from __future__ import annotations

import copy
import dataclasses
import json
from typing import Any

import jsonschema
import made_up
import pytest

from dfmcheck.judge.finding import Source
from dfmcheck.measure.screening import FileEntry
from dfmcheck.report.json_report import dumps, schema, to_json

VALIDATOR = jsonschema.Draft202012Validator(schema())


def test_schema_is_a_valid_draft_2020_12_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("judgement", [made_up.judgement(), made_up.clean()])
def test_report_holds_to_the_schema(judgement: Any) -> None:
    VALIDATOR.validate(json.loads(dumps(judgement)))


def _objects(node: Any, path: str = "") -> Any:
    if isinstance(node, dict):
        if node.get("type") == "object" or "properties" in node:
            yield path, node
        for key, value in node.items():
            yield from _objects(value, f"{path}/{key}")


def test_every_key_of_the_schema_is_described_and_closed() -> None:
    for path, node in _objects(schema()):
        if "properties" not in node:
            continue
        assert node["additionalProperties"] is False, path
        assert set(node["required"]) == set(node["properties"]), path
        for key, sub in node["properties"].items():
            assert sub.get("description") or "$ref" in sub, f"{path}/{key}"


@pytest.mark.parametrize(
    "spoil",
    [
        lambda doc: doc.pop("caution"),
        lambda doc: doc.update(verdict="maybe"),
        lambda doc: doc.update(extra=1),
        lambda doc: doc["findings"][0].pop("sources"),
        lambda doc: doc["findings"][0].update(step="solder"),
        lambda doc: doc["findings"][0].update(rule="not a rule"),
        lambda doc: doc["tightest"][0].update(value="0.1"),
        lambda doc: doc["coverage"]["files"][0].update(confidence=1.5),
        lambda doc: doc["findings"][3].update(bbox_mm=[0.0, 1.0]),
    ],
)
def test_schema_refuses_what_is_not_the_published_form(spoil: Any) -> None:
    document = copy.deepcopy(to_json(made_up.judgement()))
    spoil(document)
    assert not VALIDATOR.is_valid(document)


def test_numbers_and_places_of_a_finding_are_handed_on_unchanged() -> None:
    document = to_json(made_up.judgement())
    finding = next(f for f in document["findings"] if f["fingerprint"] == "ee00")
    assert finding["measured"] == 0.0712
    assert finding["limit"] == 0.075
    assert (finding["x_mm"], finding["y_mm"]) == (23.4123, 10.0021)
    assert finding["bbox_mm"] == [21.2, 9.8, 25.1, 11.4]
    assert finding["line_mm"] == [23.4123, 10.0021, 23.5, 10.0021]
    assert finding["nets"] == ["GND", "+3V3"]
    assert finding["sources"][0] == {"file": "heater-top.gtl", "line": 1204, "aperture": 12}
    assert document["coverage"]["not_judged"] == [
        {"rule": "mask.web", "reason": "the shop states no limit"},
        {"rule": "mask.clearance", "reason": "the shop states no limit"},
    ]
    assert len(document["coverage"]["files"]) == 10
    assert document["facts"]["copper"][1] == {
        "layer": "conductor-2",
        "area_mm2": 3600.0,
        "share": 0.837,
    }


def test_nan_and_infinity_never_appear() -> None:
    odd = made_up.finding(
        x=float("nan"),
        measured=float("inf"),
        raw=float("-inf"),
        uncertainty=float("nan"),
        bbox=(0.0, float("nan"), 1.0, 1.0),
    )
    tight = dataclasses.replace(made_up.judgement().tightest[0], value=float("nan"))
    judgement = dataclasses.replace(made_up.judgement(), findings=(odd,), tightest=(tight,))
    document = json.loads(
        dumps(judgement), parse_constant=lambda text: pytest.fail(f"{text} in the report")
    )
    VALIDATOR.validate(document)
    assert document["findings"][0]["x_mm"] is None
    assert document["findings"][0]["bbox_mm"] is None
    assert document["findings"][0]["uncertainty"] == 0.0
    assert document["facts"]["holes"][-1]["diameter_mm"] is None


def test_undecodable_file_name_gives_text_any_reader_takes() -> None:
    base = made_up.judgement()
    screening = dataclasses.replace(
        base.screening, files=(FileEntry("t\udcffp.gbr", "unknown", "unknown", 0.0, ()),)
    )
    judgement = dataclasses.replace(
        base,
        screening=screening,
        findings=(made_up.finding(sources=(Source("t\udcffp.gbr", 3, None),)),),
    )
    document = json.loads(dumps(judgement))
    VALIDATOR.validate(document)
    assert document["coverage"]["files"][0]["name"] == "t\ufffdp.gbr"
    json.dumps(document, ensure_ascii=False).encode("utf-8")
