"""The judgement as SARIF 2.1.0, for what shows findings beside the files they come from.

Static Analysis Results Interchange Format, OASIS Standard of 27 March 2020; clauses named below
are of that document (clause numbers from memory).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

import dfmcheck
from dfmcheck.judge.finding import Finding, Judgement, Source, Waiver
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.screening import FileEntry, Gap
from dfmcheck.report.json_report import clean_text, finding_json
from dfmcheck.report.pages import entries, markdown
from dfmcheck.report.text import CAUTION, message_alone, plain, sentence
from dfmcheck.terms import Weight

SCHEMA_URI = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"  # fmt: skip # noqa: E501
FINGERPRINT = "findingFingerprint/v1"
"""Key of a finding's fingerprint: the one that waivers name."""

_LEVELS = {"hold": "error", "query": "warning", "note": "note"}
_WEIGHTS = {Weight.HOLD: "error", Weight.QUERY: "warning", Weight.NOTE: "note"}
_BASE = "PACKAGE"
_ELSEWHERE = frozenset(
    {"rule", "message", "sources", "fingerprint", "waived", "severity", "layer"}
)  # parts of a finding that have a place of their own in a result


def to_sarif(
    judgement: Judgement, rules: Mapping[str, Rule], place: Path | None = None
) -> dict[str, Any]:
    """The judgement as one SARIF log with one run.

    A hold is an error, a query a warning. The invocation is successful only if all that has a
    limit was measured; what was not is told in its notifications.

    Parameters
    ----------
    judgement : Judgement
    rules : mapping of rule id to Rule
    place : Path, optional
        The package as the user named it, so that files are found from there; left out, they are
        named from the top of the package alone.
    """
    files = _Files(judgement, place)
    order = {id_: n for n, id_ in enumerate(rules)}
    suppressing = any(finding.waived is not None for finding in judgement.findings)
    run: dict[str, Any] = {
        "tool": {
            "driver": {
                "name": "dfmcheck",
                "version": dfmcheck.__version__,
                "semanticVersion": dfmcheck.__version__,
                "shortDescription": {"text": "Screens bare-board fabrication data."},
                "fullDescription": {"text": CAUTION},
                "rules": [_rule(rule) for rule in rules.values()],
            }
        },
        "automationDetails": {
            "id": "/".join(
                quote(clean_text(part), safe="")
                for part in (
                    "dfmcheck",
                    judgement.shop,
                    judgement.tier,
                    judgement.screening.package,
                )
            )
        },
        "invocations": [_invocation(judgement, order, files)],
        "artifacts": files.artifacts,
        "results": [_result(finding, order, files, suppressing) for finding in judgement.findings],
        "properties": {
            "package": clean_text(judgement.screening.package),
            "shop": clean_text(judgement.shop),
            "tier": clean_text(judgement.tier),
            "verdict": str(judgement.verdict),
            "reasons": [clean_text(reason) for reason in judgement.reasons],
            "lengths": "mm",
        },
    }
    if files.bases:
        run["originalUriBaseIds"] = files.bases
    return {"$schema": SCHEMA_URI, "version": "2.1.0", "runs": [run]}


def dumps(judgement: Judgement, rules: Mapping[str, Rule], place: Path | None = None) -> str:
    """:func:`to_sarif` as text ending in a newline; plain ASCII, so any reader takes it."""
    return json.dumps(to_sarif(judgement, rules, place), indent=1, allow_nan=False) + "\n"


def unopened(sentence_: str, package: str) -> str:
    """The log of a package that could not be opened: no result, and no success."""
    run = {
        "tool": {"driver": {"name": "dfmcheck", "version": dfmcheck.__version__}},
        "invocations": [
            {
                "executionSuccessful": False,
                "toolExecutionNotifications": [
                    {
                        "descriptor": {"id": "package"},
                        "level": "error",
                        "message": {"text": _message(sentence_)},
                    }
                ],
            }
        ],
        "results": [],
        "properties": {"package": clean_text(package), "verdict": "hold"},
    }
    log = {"$schema": SCHEMA_URI, "version": "2.1.0", "runs": [run]}
    return json.dumps(log, indent=1) + "\n"


# -- rules ------------------------------------------------------------------------------


def _rule(rule: Rule) -> dict[str, Any]:
    """A reportingDescriptor (clause 3.49) with the text of the rule's page as its help."""
    parts = entries(rule)
    properties = {
        "tags": ["printed-board", str(rule.step)],
        "step": str(rule.step),
        "unit": rule.unit,
        "direction": rule.direction,
        "who": rule.who,
        "source": rule.source,
    }
    if rule.caution:
        properties["caution"] = rule.caution
    return {
        "id": rule.id,
        "name": "".join(word.capitalize() for word in rule.id.replace(".", "-").split("-")),
        "shortDescription": {"text": _message(sentence(rule.quantity))},
        "fullDescription": {"text": _message(sentence(rule.on_the_floor))},
        "help": {
            "text": _message("\n".join(f"{heading}: {text}" for heading, text in parts)),
            "markdown": markdown(rule),
        },
        "defaultConfiguration": {"level": _WEIGHTS[rule.weight]},
        "properties": properties,
    }


# -- files ------------------------------------------------------------------------------


class _Files:
    """The package and its files as artifacts (clause 3.24), and how results refer to them."""

    def __init__(self, judgement: Judgement, place: Path | None) -> None:
        self.bases: dict[str, Any] = {}
        self.artifacts: list[dict[str, Any]] = []
        self._index: dict[str, int] = {}
        self._by_role: dict[str, str] = {}
        self._lead, self._parent = "", None
        name = clean_text(judgement.screening.package)
        if place is None:
            # Where the package lies now is not known: a reader resolves this name.
            self.bases[_BASE] = {"description": {"text": _message(f"The package {name}.")}}
            self._base: str | None = _BASE
        elif place.is_dir():
            self._base = self._settle(place)
        elif [file.name for file in judgement.screening.files] == [place.name]:
            self._base = self._settle(place.parent)
        else:
            self._base = None if self._inside(place) else "FOLDER"
            if self._base:
                self.bases["FOLDER"] = {"uri": place.resolve().parent.as_uri() + "/"}
            uri = place.as_posix() if self._base is None else place.name
            location = self._located({"uri": _uri(uri)})
            self.artifacts.append({"location": location, "roles": ["analysisTarget"]})
            self._parent, self._base = 0, None
        for file in judgement.screening.files:
            self._add(file)
            self._by_role.setdefault(file.role, file.name)

    @staticmethod
    def _inside(place: Path) -> bool:
        return not place.is_absolute() and ".." not in place.parts

    def _settle(self, folder: Path) -> str | None:
        """Files are named from where the user works, if the folder lies there."""
        if self._inside(folder):
            self._lead = "" if str(folder) == "." else folder.as_posix() + "/"
            return None
        self.bases[_BASE] = {"uri": folder.resolve().as_uri().rstrip("/") + "/"}
        return _BASE

    def _located(self, location: dict[str, Any]) -> dict[str, Any]:
        return location if self._base is None else {**location, "uriBaseId": self._base}

    def _add(self, file: FileEntry) -> None:
        self._index[file.name] = len(self.artifacts)
        artifact: dict[str, Any] = {
            "location": self._located({"uri": _uri(self._lead + file.name)}),
            "length": file.size,
            "roles": ["analysisTarget"],
            "description": {"text": _message(f"{file.role} ({file.format})")},
            "properties": {"role": file.role, "format": file.format, "read": bool(file.read)},
        }
        if self._parent is not None:
            artifact["parentIndex"] = self._parent
        self.artifacts.append(artifact)

    def physical(self, source: Source) -> dict[str, Any] | None:
        """A physicalLocation; None for a file the package does not hold."""
        index = self._index.get(source.file)
        if index is None:
            return None
        out: dict[str, Any] = {
            "artifactLocation": {**self.artifacts[index]["location"], "index": index}
        }
        if source.line is not None and source.line >= 1:
            out["region"] = {"startLine": int(source.line)}
        return out

    def of_layer(self, layer: str) -> dict[str, Any] | None:
        """The file of a layer, else the archive as a whole, where a finding names no file."""
        if layer in self._by_role:
            return self.physical(Source(self._by_role[layer]))
        if self._parent is not None:
            return {"artifactLocation": {**self.artifacts[0]["location"], "index": 0}}
        return None


def _uri(path: str) -> str:
    return quote(clean_text(path), safe="/")


# -- results ----------------------------------------------------------------------------


def _result(
    finding: Finding, order: Mapping[str, int], files: _Files, suppressing: bool
) -> dict[str, Any]:
    sources = [at for source in finding.sources if (at := files.physical(source)) is not None]
    first = sources[0] if sources else files.of_layer(finding.layer)
    location: dict[str, Any] = {"logicalLocations": _logical(finding)}
    if first is not None:
        location["physicalLocation"] = first
    words = finding_json(finding)
    result: dict[str, Any] = {
        "ruleId": finding.rule,
        "kind": "fail",
        "level": _LEVELS[finding.severity],
        "message": {"text": _message(_words(finding))},
        "locations": [location],
        "partialFingerprints": {FINGERPRINT: finding.fingerprint},
        "properties": {key: value for key, value in words.items() if key not in _ELSEWHERE}
        | {"severity": finding.severity},
    }
    if finding.rule in order:
        result["ruleIndex"] = order[finding.rule]
    if sources[1:]:
        result["relatedLocations"] = [
            {"id": n, "physicalLocation": at, "message": {"text": "also drawn here"}}
            for n, at in enumerate(sources[1:])
        ]
    if suppressing:  # clause 3.27.23: on every result, or on none
        waiver = finding.waived
        result["suppressions"] = [] if waiver is None else [_suppression(waiver)]
    return result


def _words(finding: Finding) -> str:
    text = sentence(message_alone(finding))
    if finding.x is not None and finding.y is not None:
        text += f" At {finding.x:.3f}, {finding.y:.3f} mm."
    return f"{text} {sentence(plain(finding.remedy))}".strip()


def _logical(finding: Finding) -> list[dict[str, Any]]:
    layers = [clean_text(layer) for layer in finding.every_layer if layer]
    out = [{"name": layer, "fullyQualifiedName": layer, "kind": "layer"} for layer in layers]
    if not layers:
        out = [{"name": "board", "fullyQualifiedName": "board", "kind": "board"}]
    out += [
        {"name": clean_text(net), "fullyQualifiedName": f"net {clean_text(net)}", "kind": "net"}
        for net in finding.nets
    ]
    return out


def _suppression(waiver: Waiver) -> dict[str, Any]:
    until = "" if waiver.expires is None else f", counts until {waiver.expires.isoformat()}"
    return {  # without a status it is accepted (clause 3.35.3)
        "kind": "external",
        "justification": clean_text(
            f"{waiver.reason} (waived by {waiver.name} on {waiver.date.isoformat()}{until})"
        ),
    }


# -- how the run went -------------------------------------------------------------------


def _invocation(judgement: Judgement, order: Mapping[str, int], files: _Files) -> dict[str, Any]:
    screening = judgement.screening
    unread = [file for file in screening.files if not file.read]
    told = [_gap(gap, order) for gap in screening.gaps]
    told += [
        {"descriptor": {"id": "doubt"}, "level": "warning", "message": {"text": _message(doubt)}}
        for doubt in judgement.doubts
        if not any(doubt.endswith(gap.reason) for gap in screening.gaps)
    ]
    told += [
        {
            "descriptor": {"id": "unread-file"},
            "level": "error",
            "message": {"text": _message(f"{plain(file.name)} could not be read")},
            "locations": [{"physicalLocation": files.physical(Source(file.name))}],
        }
        for file in unread
    ]
    return {
        "executionSuccessful": not judgement.doubts and not unread,
        "toolExecutionNotifications": told,
    }


def _gap(gap: Gap, order: Mapping[str, int]) -> dict[str, Any]:
    subject = f"{gap.rule} was not wholly measured" if gap.rule else "Not wholly measured"
    layer = clean_text(gap.layer)
    out: dict[str, Any] = {
        "descriptor": {"id": "gap"},
        "level": "warning",
        "message": {
            "text": _message(f"{subject}{f' on {plain(layer)}' if layer else ''}: {gap.reason}")
        },
    }
    if gap.rule:
        out["associatedRule"] = {"id": gap.rule}
        if gap.rule in order:
            out["associatedRule"]["index"] = order[gap.rule]
    if layer:
        where = {"name": layer, "fullyQualifiedName": layer, "kind": "layer"}
        out["locations"] = [{"logicalLocations": [where]}]
    return out


def _message(text: str) -> str:
    """Text of a message: braces and square brackets in it are no placeholders and no links
    (clauses 3.11.5 and 3.11.6).

    Examples
    --------
    >>> print(_message("net D[0]"))
    net D\\[0\\]
    """
    text = clean_text(text).replace("\\", "\\\\").replace("{", "{{").replace("}", "}}")
    return text.replace("[", "\\[").replace("]", "\\]")
