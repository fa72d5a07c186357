"""The judgement as JUnit XML, for what shows test results: one case per rule and layer.

The form is that of ``junit-10.xsd`` of the Jenkins xUnit plugin; there is no standard.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import dataclass, field

from dfmcheck.judge.finding import Finding, Judgement
from dfmcheck.measure.rule import Rule
from dfmcheck.report.text import CAUTION, message_alone, plain, plural, sentence, sources
from dfmcheck.terms import Step

COVERAGE = "coverage"
WHOLE = "all that has a limit was measured"
_BOARD = "board"  # where a rule looks at no layer by itself
_FAILS = ("hold", "query")
_NOT_XML = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(slots=True)
class _Case:
    """One rule on one layer."""

    rule: str
    layer: str
    findings: list[Finding] = field(default_factory=list)
    gaps: list[str] = field(default_factory=list)
    not_judged: str = ""

    @property
    def failing(self) -> list[Finding]:
        return [f for f in self.findings if f.severity in _FAILS and f.waived is None]


def to_junit(judgement: Judgement, rules: Mapping[str, Rule]) -> str:
    """The judgement as XML text, UTF-8.

    A suite per fabrication step, a case per rule and layer. A case fails where a hold or a query
    stands; it is skipped where it was not wholly measured, or measured without a limit. A note
    or what is waived does not fail a case and is told in its ``system-out``. The case
    ``coverage`` is an error when the screen is partial, so that skipped cases alone never read
    as a pass.
    """
    cases = _cases(judgement)
    root = ET.Element("testsuites", name=_clean(f"dfmcheck {judgement.screening.package}"))
    steps: dict[str, list[_Case]] = {}
    for case in cases:
        steps.setdefault(case.rule.partition(".")[0], []).append(case)
    known = [str(step) for step in Step]
    suites = [
        _suite(root, name, [_written(case, rules) for case in steps[name]])
        for name in sorted(steps, key=lambda s: (known.index(s) if s in known else 99, s))
    ]
    suites.append(_suite(root, COVERAGE, [_coverage(judgement)]))
    _properties(suites[-1], judgement)
    for key in ("tests", "failures", "errors"):
        root.set(key, str(sum(int(suite.get(key, "0")) for suite in suites)))
    return _text(root)


def unopened(sentence_: str, package: str) -> str:
    """The report of a package that could not be opened: one case, an error."""
    root = ET.Element(
        "testsuites", name=_clean(f"dfmcheck {plain(package)}"), tests="1", failures="0", errors="1"
    )
    case = ET.Element("testcase", classname=COVERAGE, name=WHOLE)
    ET.SubElement(case, "error", type="package", message=_clean(plain(sentence_)))
    _suite(root, COVERAGE, [case])
    return _text(root)


def _text(root: ET.Element) -> str:
    ET.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _cases(judgement: Judgement) -> list[_Case]:
    screening = judgement.screening
    cases: dict[tuple[str, str], _Case] = {}

    def case(rule: str, layer: str) -> _Case:
        # what a rule finds on the board as a whole belongs to its one case
        key = (rule, "") if (rule, "") in whole else (rule, layer)
        return cases.setdefault(key, _Case(*key))

    whole = {(rule, layer) for rule, layer in screening.measured if not layer}
    for rule, layer in screening.measured:
        case(rule, layer)
    for finding in judgement.findings:
        for layer in finding.every_layer:
            case(finding.rule, layer).findings.append(finding)
    for gap in screening.gaps:
        if gap.rule:  # the others are doubts, and stand under coverage
            case(gap.rule, gap.layer).gaps.append(gap.reason)
    why = dict(judgement.not_judged)
    for one in cases.values():
        one.not_judged = why.get(one.rule, "")
    return list(cases.values())


def _suite(root: ET.Element, name: str, cases: list[ET.Element]) -> ET.Element:
    def count(tag: str) -> str:
        return str(sum(case.find(tag) is not None for case in cases))

    suite = ET.SubElement(
        root, "testsuite", name=name, tests=str(len(cases)), failures=count("failure"),
        errors=count("error"), skipped=count("skipped"),
    )  # fmt: skip
    suite.extend(cases)
    return suite


def _written(case: _Case, rules: Mapping[str, Rule]) -> ET.Element:
    out = ET.Element("testcase", classname=_clean(case.rule), name=_clean(case.layer or _BOARD))
    failing = case.failing
    if failing:
        worst = "hold" if any(f.severity == "hold" for f in failing) else "query"
        first = sentence(message_alone(failing[0]))
        more = f" (and {len(failing) - 1} more)" if len(failing) > 1 else ""
        failure = ET.SubElement(out, "failure", type=worst, message=_clean(first + more))
        failure.text = _clean("\n\n".join(_told(f) for f in failing))
    elif case.gaps:
        reason = "; ".join(dict.fromkeys(case.gaps))
        ET.SubElement(out, "skipped", message=_clean(f"not wholly measured: {reason}"))
    elif case.not_judged:
        ET.SubElement(out, "skipped", message=_clean(f"not judged: {case.not_judged}"))
    lines = [f"{f.severity}: {_told(f)}" for f in case.findings if f not in failing]
    lines += [place for f in failing for place in _places(f)]
    if failing and case.gaps:
        lines += [f"not wholly measured: {reason}" for reason in dict.fromkeys(case.gaps)]
    rule = rules.get(case.rule)
    if failing and rule is not None and rule.caution:
        lines.append(f"Caution: {rule.caution}")
    if lines:
        ET.SubElement(out, "system-out").text = _clean("\n".join(lines))
    return out


def _told(finding: Finding) -> str:
    lines = [sentence(message_alone(finding))]
    if finding.x is not None and finding.y is not None:
        lines.append(f"at {finding.x:.3f}, {finding.y:.3f} mm")
    if finding.sources:
        lines.append(f"drawn in {sources(finding.sources)}")
    if finding.remedy:
        lines.append(f"change: {sentence(plain(finding.remedy))}")
    waiver = finding.waived
    if waiver is not None:
        lines.append(f"waived by {waiver.name} on {waiver.date.isoformat()}: {waiver.reason}")
    lines.append(f"fingerprint {finding.fingerprint}")
    return "\n  ".join(plain(line) for line in lines)


def _places(finding: Finding) -> list[str]:
    """Every place of a finding that has several, else its one place."""
    unit = "" if finding.unit in ("1", "count", "") else f" {finding.unit}"
    layers = ", ".join(plain(layer) for layer in finding.every_layer if layer)
    where = f"{finding.fingerprint} {layers or _BOARD}"
    if finding.places:
        listed = [f"{where} at {x:.3f}, {y:.3f} mm: {v:.4f}{unit}" for x, y, v in finding.places]
        if finding.count > len(listed):
            listed.append(f"{where}: {plural(finding.count - len(listed), 'more place')}")
        return listed
    if finding.x is None or finding.y is None:
        return []
    value = "" if finding.measured is None else f": {finding.measured:.4f}{unit}"
    return [f"{where} at {finding.x:.3f}, {finding.y:.3f} mm{value}"]


def _coverage(judgement: Judgement) -> ET.Element:
    out = ET.Element("testcase", classname=COVERAGE, name=WHOLE)
    unread = [f"{plain(f.name)} could not be read" for f in judgement.screening.files if not f.read]
    lacking = [plain(doubt) for doubt in judgement.doubts] + unread
    if lacking:
        more = f" (and {len(lacking) - 1} more)" if len(lacking) > 1 else ""
        error = ET.SubElement(
            out, "error", type="partial", message=_clean(f"partial screen: {lacking[0]}{more}")
        )
        error.text = _clean("\n".join(lacking))
    return out


def _properties(suite: ET.Element, judgement: Judgement) -> None:
    table = ET.Element("properties")
    for name, value in (
        ("package", judgement.screening.package),
        ("shop", judgement.shop),
        ("tier", judgement.tier),
        ("verdict", str(judgement.verdict)),
        *((f"reason.{n}", reason) for n, reason in enumerate(judgement.reasons, 1)),
        ("caution", CAUTION),
    ):
        ET.SubElement(table, "property", name=name, value=_clean(plain(value)))
    suite.insert(0, table)


def _clean(text: str) -> str:
    """Text without the characters that XML 1.0 (clause 2.2) has no place for.

    Examples
    --------
    >>> _clean("top\\x1b.gbr")
    'top\ufffd.gbr'
    """
    return _NOT_XML.sub("\ufffd", text)
