"""The SARIF report, against the published schema and against real packages."""

from __future__ import annotations

import copy
import dataclasses
import datetime
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import jsonschema
import made_up
import pytest

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Judgement, Source, Waiver
from dfmcheck.measure.rule import rules
from dfmcheck.report.sarif import FINGERPRINT, dumps, to_sarif, unopened
from dfmcheck.screen import screen

PUBLISHED = Path(__file__).with_name("published")
SAMPLES = Path(__file__).parents[2] / "sample_boards"
DAY = datetime.date(2026, 11, 25)


@pytest.fixture(scope="module", params=["sarif-2.1.0-rtm.4.json", "sarif-2.1.0.json"])
def schema(request: pytest.FixtureRequest) -> Any:
    loaded = json.loads((PUBLISHED / request.param).read_text(encoding="utf-8"))
    kind = jsonschema.validators.validator_for(loaded)
    kind.check_schema(loaded)
    return kind(loaded)


def judged(path: Path, shop_name: str = "volume") -> Judgement:
    shop = load_shop(shop_name)
    screening = screen(path, reach=shop.limit_reach(), workers=1)
    return judge(screening, shop, rules=rules())


@pytest.fixture(scope="module")
def planted() -> Judgement:
    return judged(SAMPLES / "tide-logger-planted")


def run_of(judgement: Judgement, place: Path | None = None) -> dict[str, Any]:
    # through text and back, so that what is looked at is what a reader gets
    run: dict[str, Any] = json.loads(dumps(judgement, made_up.RULES | rules(), place))["runs"][0]
    return run


def odd() -> Judgement:
    """Names and nets with all that text may hold, a finding of no file and an unknown rule."""
    names = made_up.finding(
        nets=("D[0](x)", "{0}", "a\\b", "\udcff\u0007"), layer="", rule="etch.of-another-version",
        sources=(Source("nowhere.gbr", 3),),
        message="{1} [look](0) \udc80", fingerprint="0dd0",
    )  # fmt: skip
    return dataclasses.replace(made_up.judgement(), findings=(names,))


def waived() -> Judgement:
    full = made_up.judgement()
    waiver = Waiver(full.findings[3].fingerprint, full.findings[3].rule, "scrapped coupon",
                    "M. Okafor", DAY, DAY)  # fmt: skip
    first = dataclasses.replace(full.findings[3], waived=waiver)
    return dataclasses.replace(full, findings=(first, *full.findings[4:]))


@pytest.mark.parametrize("make", [made_up.judgement, made_up.clean, odd, waived])
def test_report_holds_to_the_published_schema(schema: Any, make: Callable[[], Judgement]) -> None:
    for place in (None, Path("jobs/heater.zip"), Path("/somewhere/else/heater.zip"), SAMPLES):
        log = json.loads(dumps(make(), made_up.RULES, place))
        assert [error.message for error in schema.iter_errors(log)] == []
        assert log["version"] == "2.1.0"


def test_log_of_a_package_not_opened_holds_to_the_published_schema(schema: Any) -> None:
    log = json.loads(unopened("x.zip: damaged [really]; expected {a zip}.", "x.zip"))
    assert [error.message for error in schema.iter_errors(log)] == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda run: run["results"][0].update(level="hold"),
        lambda run: run["results"][0]["message"].pop("text"),
        lambda run: run["results"][1]["locations"][0]["physicalLocation"]["region"].update(
            startLine=0
        ),
        lambda run: run["invocations"][0].pop("executionSuccessful"),
        lambda run: run.update(findings=[]),
    ],
)
def test_published_schema_refuses_what_is_not_sarif(
    schema: Any, spoil: Callable[[Any], Any]
) -> None:
    log = copy.deepcopy(to_sarif(made_up.judgement(), made_up.RULES))
    assert schema.is_valid(log)
    spoil(log["runs"][0])
    assert not schema.is_valid(log)


def test_result_tells_rule_level_file_line_layer_and_place(planted: Judgement) -> None:
    run = run_of(planted, SAMPLES / "tide-logger-planted")
    assert len(run["results"]) == len(planted.findings) > 0
    levels = {"hold": "error", "query": "warning", "note": "note"}
    for finding, result in zip(planted.findings, run["results"], strict=True):
        rule = run["tool"]["driver"]["rules"][result["ruleIndex"]]
        assert rule["id"] == result["ruleId"] == finding.rule
        assert result["level"] == levels[finding.severity]
        assert result["partialFingerprints"] == {FINGERPRINT: finding.fingerprint}
        (location,) = result["locations"]
        logical = {(one["kind"], one["name"]) for one in location["logicalLocations"]}
        assert ("layer", finding.layer) in logical
        assert {name for kind, name in logical if kind == "net"} == set(finding.nets)
        physical = location["physicalLocation"]
        source = finding.sources[0]
        assert physical["region"]["startLine"] == source.line
        assert unquote(physical["artifactLocation"]["uri"]) == source.file
        assert len(result.get("relatedLocations", [])) == (len(finding.sources) - 1)
        properties = result["properties"]
        assert (properties["x_mm"], properties["y_mm"]) == (finding.x, finding.y)
        assert properties["count"] == finding.count
        assert properties["measured"] == finding.measured
        assert properties["limit"] == finding.limit
    assert run["invocations"] == [{"executionSuccessful": True, "toolExecutionNotifications": []}]


def test_rules_carry_the_text_of_their_pages() -> None:
    run = run_of(made_up.clean())
    by_id = {rule["id"]: rule for rule in run["tool"]["driver"]["rules"]}
    assert set(by_id) == set(rules()) | set(made_up.RULES)
    for id_, rule in rules().items():
        for text in (by_id[id_]["help"]["text"], by_id[id_]["help"]["markdown"]):
            flat = re.sub(r"\s+", " ", text).replace("\\[", "[").replace("\\]", "]")
            for part in (rule.on_the_floor, rule.change, rule.front_end, rule.source):
                assert re.sub(r"\s+", " ", part).strip(". ")[1:] in flat
    names = [rule["name"] for rule in by_id.values()]
    assert len(set(names)) == len(names)


def test_files_are_found_from_where_the_user_works(
    planted: Judgement, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(SAMPLES.parent)
    run = run_of(planted, Path("sample_boards/tide-logger-planted"))
    assert "originalUriBaseIds" not in run
    for result in run["results"]:
        at = result["locations"][0]["physicalLocation"]
        file = Path(unquote(at["artifactLocation"]["uri"]))
        assert file == Path(unquote(run["artifacts"][at["artifactLocation"]["index"]]
                                    ["location"]["uri"]))  # fmt: skip
        assert 1 <= at["region"]["startLine"] <= len(file.read_bytes().splitlines())


def test_files_of_a_folder_elsewhere_are_relative_to_it(planted: Judgement) -> None:
    folder = (SAMPLES / "tide-logger-planted").resolve()
    run = run_of(planted, folder)
    assert run["originalUriBaseIds"] == {"PACKAGE": {"uri": folder.as_uri() + "/"}}
    assert all((folder / artifact["location"]["uri"]).is_file() for artifact in run["artifacts"])
    # of a kept screening, nobody knows where the package lies now
    kept = run_of(planted)["originalUriBaseIds"]["PACKAGE"]
    assert "uri" not in kept
    assert "tide-logger-planted" in kept["description"]["text"]


def test_files_of_an_archive_lie_in_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.make_archive("jobs/tide logger#2", "zip", SAMPLES / "tide-logger-planted")
    place = Path("jobs/tide logger#2.zip")
    run = run_of(judged(place), place)
    archive, *files = run["artifacts"]
    assert archive["location"] == {"uri": "jobs/tide%20logger%232.zip"}
    assert {file["parentIndex"] for file in files} == {0}
    assert {file["location"]["uri"] for file in files} == {
        file.name for file in (SAMPLES / "tide-logger-planted").iterdir()
    }
    assert all(r["locations"][0]["physicalLocation"]["artifactLocation"]["index"] > 0
               for r in run["results"])  # fmt: skip


def test_fingerprints_outlast_another_run_new_names_and_lines_that_move(
    planted: Judgement, tmp_path: Path
) -> None:
    """Line numbers and file names are no part of what a finding is."""
    lead = b"G04 made again*\n" * 7
    for file in (SAMPLES / "tide-logger-planted").iterdir():
        data = file.read_bytes()
        if file.suffix == ".gbr":
            data = lead + data
        (tmp_path / file.name.replace("tide-logger", "tide-logger-again")).write_bytes(
            data.replace(b"tide-logger-", b"tide-logger-again-")
        )

    def rows(run: dict[str, Any]) -> dict[str, tuple[str, int]]:
        out = {}
        for result in run["results"]:
            line = result["locations"][0]["physicalLocation"]["region"]["startLine"]
            file = result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
            out[result["partialFingerprints"][FINGERPRINT]] = (file, line)
        return out

    before, after = rows(run_of(planted)), rows(run_of(judged(tmp_path)))
    assert len(before) == len(planted.findings)
    assert set(after) == set(before)
    moved = {after[one][1] - before[one][1] for one in before if before[one][0].endswith(".gbr")}
    assert moved == {7}


def test_fingerprints_do_not_depend_on_the_order_of_files_or_processes(
    planted: Judgement, tmp_path: Path
) -> None:
    # an archive keeps the order in which its files were put into it
    import zipfile

    with zipfile.ZipFile(tmp_path / "turned.zip", "w") as archive:
        for file in sorted((SAMPLES / "tide-logger-planted").iterdir(), reverse=True):
            archive.write(file, file.name)
    shop = load_shop("volume")
    screening = screen(tmp_path / "turned.zip", reach=shop.limit_reach(), workers=2)
    again = judge(screening, shop, rules=rules())
    assert [f.fingerprint for f in again.findings] == [f.fingerprint for f in planted.findings]


def test_waived_findings_are_suppressed_and_the_others_say_they_are_not() -> None:
    first, *others = run_of(waived())["results"]
    (suppression,) = first["suppressions"]
    assert suppression["kind"] == "external"
    assert "scrapped coupon (waived by M. Okafor on 2026-11-25" in suppression["justification"]
    assert all(other["suppressions"] == [] for other in others)
    assert all("suppressions" not in result for result in run_of(made_up.judgement())["results"])


def test_partial_screen_is_no_success_and_each_gap_is_told() -> None:
    full = made_up.judgement()
    doubt = "mask.web was listed up to 0.250 mm only"
    partial = dataclasses.replace(full, doubts=(doubt, "x: the file could not be read"))
    (invocation,) = run_of(partial)["invocations"]
    assert invocation["executionSuccessful"] is False
    told = invocation["toolExecutionNotifications"]
    texts = [one["message"]["text"] for one in told]
    assert len(texts) == len(full.screening.gaps) + 2  # a doubt that is no gap, an unread file
    assert doubt in texts
    assert "mask.clearance was not wholly measured on mask-bottom: the file could not be read" in (
        texts
    )
    assert told[0]["associatedRule"]["id"] == "mask.clearance"
    unread = next(one for one in told if one["level"] == "error")
    assert "heater-bottom-mask.gbs" in unread["message"]["text"]


def test_board_without_its_drill_files_is_no_success(tmp_path: Path) -> None:
    for file in (SAMPLES / "tide-logger-clean").iterdir():
        if file.suffix not in (".drl", ".gbrjob"):
            shutil.copy(file, tmp_path)
    judgement = judged(tmp_path)
    (invocation,) = run_of(judgement, tmp_path)["invocations"]
    assert judgement.doubts
    assert invocation["executionSuccessful"] is False
    assert len(invocation["toolExecutionNotifications"]) >= len(judgement.doubts)


def test_finding_without_a_file_is_placed_on_the_file_of_its_layer() -> None:
    alone = made_up.finding(sources=(), layer="conductor-1")
    run = run_of(dataclasses.replace(made_up.judgement(), findings=(alone,)))
    at = run["results"][0]["locations"][0]["physicalLocation"]
    assert at["artifactLocation"]["uri"] == "gerber/heater-top.gtl"
    assert "region" not in at


def test_text_of_a_name_is_no_placeholder_and_no_link() -> None:
    (result,) = run_of(odd())["results"]
    assert result["message"]["text"].startswith("{{1}} \\[look\\](0) \ufffd")
    assert "ruleIndex" not in result
    assert {one["name"] for one in result["locations"][0]["logicalLocations"]} >= {"D[0](x)"}
