"""The JUnit report, against a published schema and as another reader takes it."""

from __future__ import annotations

import dataclasses
import datetime
import shutil
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import made_up
import pytest

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Judgement, Waiver
from dfmcheck.measure.rule import rules
from dfmcheck.report.junit import WHOLE, to_junit, unopened
from dfmcheck.screen import screen

PUBLISHED = Path(__file__).with_name("published") / "junit-10.xsd"
SAMPLES = Path(__file__).parents[2] / "sample_boards"


def judged(path: Path) -> Judgement:
    shop = load_shop("volume")
    return judge(screen(path, reach=shop.limit_reach(), workers=1), shop, rules=rules())


@pytest.fixture(scope="module")
def planted() -> Judgement:
    return judged(SAMPLES / "tide-logger-planted")


def cases(judgement: Judgement) -> dict[tuple[str, str], ET.Element]:
    root = ET.fromstring(to_junit(judgement, made_up.RULES | rules()))
    found = list(root.iter("testcase"))
    out = {(case.get("classname", ""), case.get("name", "")): case for case in found}
    assert len(out) == len(found)  # a case told twice is one that hides another
    return out


def tags(case: ET.Element) -> set[str]:
    return {child.tag for child in case} - {"system-out"}


def odd() -> Judgement:
    strange = made_up.finding(nets=('<&">', "\x00\x1b\ud800"), message="]]> \x08 \ufffe a < b")
    return dataclasses.replace(made_up.judgement(), findings=(strange,), doubts=("\x01 not",))


@pytest.mark.parametrize("make", [made_up.judgement, made_up.clean, odd])
def test_report_holds_to_the_published_schema(make: Callable[[], Judgement]) -> None:
    xmlschema = pytest.importorskip("xmlschema", reason="xmlschema is in the extra dev")
    schema = xmlschema.XMLSchema(str(PUBLISHED))
    text = to_junit(make(), made_up.RULES)
    assert [str(error) for error in schema.iter_errors(ET.fromstring(text))] == []
    assert schema.is_valid(ET.fromstring(unopened("x.zip: \x1b damaged", "x.zip")))
    assert not schema.is_valid(ET.fromstring(text.replace(" classname=", " class=")))


def test_another_reader_counts_the_same(planted: Judgement, tmp_path: Path) -> None:
    junitparser = pytest.importorskip("junitparser", reason="junitparser is in the extra dev")
    place = tmp_path / "report.xml"
    place.write_text(to_junit(planted, rules()), encoding="utf-8")
    read = junitparser.JUnitXml.fromfile(str(place))
    told = (read.tests, read.failures, read.errors)
    by_suite = [(suite.tests, suite.failures, suite.errors, suite.skipped) for suite in read]
    read.update_statistics()
    assert told == (read.tests, read.failures, read.errors)
    assert by_suite == [(s.tests, s.failures, s.errors, s.skipped) for s in read]
    failed = {
        (case.classname, case.name)
        for suite in read
        for case in suite
        if any(isinstance(result, junitparser.Failure) for result in case.result)
    }
    assert failed == {
        (f.rule, on) for f in planted.findings if f.severity != "note" for on in f.every_layer
    }


def test_every_rule_and_layer_measured_is_a_case(planted: Judgement) -> None:
    told = cases(planted)
    measured = {(rule, layer or "board") for rule, layer in planted.screening.measured}
    assert measured <= set(told)
    failing = {(f.rule, on) for f in planted.findings for on in f.every_layer}
    for key in measured - failing:
        assert tags(told[key]) == set()
    assert tags(told["coverage", WHOLE]) == set()


def test_failure_tells_worst_severity_and_system_out_every_place(planted: Judgement) -> None:
    told = cases(planted)
    for key in {(f.rule, on) for f in planted.findings for on in f.every_layer}:
        mine = [f for f in planted.findings if f.rule == key[0] and key[1] in f.every_layer]
        failure = told[key].find("failure")
        assert failure is not None
        holds = any(f.severity == "hold" for f in mine)
        assert failure.get("type") == ("hold" if holds else "query")
        out = told[key].findtext("system-out", "")
        for finding in mine:
            assert f"fingerprint {finding.fingerprint}" in (failure.text or "")
            for x, y, _ in finding.places or ((finding.x, finding.y, 0.0),):
                assert (
                    f"{finding.fingerprint} {', '.join(finding.every_layer)} at {x:.3f}, {y:.3f} mm"
                    in out
                )


def test_gap_is_skipped_and_a_partial_screen_is_an_error() -> None:
    full = made_up.judgement()
    told = cases(dataclasses.replace(full, doubts=("mask.web was not wholly measured",)))
    skipped = told["mask.web", "mask-bottom"]
    assert tags(skipped) == {"skipped"}
    assert "the file could not be read" in skipped.find("skipped").get("message", "")  # type: ignore[union-attr]
    # a rule that fails and has a gap fails, and tells the gap
    both = told["drill.aspect-ratio", "drill-plated-1-4"]
    assert tags(both) == {"failure"}
    assert "three hits have a tool without a diameter" in both.findtext("system-out", "")
    error = told["coverage", WHOLE].find("error")
    assert error is not None
    assert "mask.web was not wholly measured" in error.get("message", "")
    assert "gerber/heater-bottom-mask.gbs could not be read" in (error.text or "")


def test_rule_without_a_limit_is_skipped_not_passed() -> None:
    told = cases(made_up.judgement())
    skipped = told["mask.clearance", "mask-top"].find("skipped")
    assert skipped is not None
    assert skipped.get("message") == "not judged: the shop states no limit"


def test_notes_and_waived_findings_do_not_fail_and_are_told() -> None:
    full = made_up.judgement()
    day = datetime.date(2026, 11, 25)
    waiver = Waiver("dd01", "drill.aspect-ratio", "measured on a coupon", "M. Okafor", day)
    findings = tuple(
        dataclasses.replace(f, waived=waiver) if f.fingerprint == "dd01" else f
        for f in full.findings
    )
    screening = dataclasses.replace(full.screening, gaps=())
    told = cases(dataclasses.replace(full, findings=findings, screening=screening))
    waived = told["drill.aspect-ratio", "drill-plated-1-4"]
    assert tags(waived) == set()
    assert "waived by M. Okafor on 2026-11-25: measured on a coupon" in (
        waived.findtext("system-out", "")
    )
    note = told["plate.annular-ring", "conductor-1"]
    assert tags(note) == set()
    assert "note: " in note.findtext("system-out", "")


def test_findings_of_a_rule_on_the_whole_board_belong_to_its_one_case() -> None:
    full = made_up.judgement()
    screening = dataclasses.replace(full.screening, measured=(("press.copper-balance", ""),))
    one = made_up.finding(rule="press.copper-balance", layer="conductor-2")
    told = cases(dataclasses.replace(full, findings=(one,), screening=screening))
    assert tags(told["press.copper-balance", "board"]) == {"failure"}
    assert ("press.copper-balance", "conductor-2") not in told


def test_board_without_its_drill_files_never_reads_as_passed(tmp_path: Path) -> None:
    for file in (SAMPLES / "tide-logger-clean").iterdir():
        if file.suffix not in (".drl", ".gbrjob"):
            shutil.copy(file, tmp_path)
    root = ET.fromstring(to_junit(judged(tmp_path), rules()))
    assert int(root.get("errors", "0")) == 1
