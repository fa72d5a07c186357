"""What is asked: findings the customer must decide on, gathered into few numbered questions."""

from __future__ import annotations

import datetime
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from dfmcheck.capability import Shop
from dfmcheck.judge.finding import Finding, Judgement
from dfmcheck.judge.waivers import UNTRUSTED
from dfmcheck.measure.rule import Rule
from dfmcheck.report.pictures import Pictures
from dfmcheck.report.text import CAUTION, finite, message_alone, pair, plain, plural, sentence

PLACES = 12
"""Places listed per question, worst first; all are counted."""
PICTURES = 2
"""Pictures per question."""
_INCH = 25.4  # mm


@dataclass(frozen=True, slots=True)
class Row:
    """One place of a question, in words."""

    layer: str
    mm: str
    inch: str
    nets: str
    measured: str
    required: str
    count: int
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Shot:
    """A picture: PNG bytes, and what it shows."""

    png: bytes
    caption: str


@dataclass(frozen=True, slots=True)
class Question:
    """One question; all texts are whole sentences, ready to print."""

    number: int
    severity: str
    rule: str
    title: str
    asks: str
    why: str
    propose: str
    silence: str
    answers: tuple[str, ...]
    rows: tuple[Row, ...]
    more: int
    said: tuple[str, ...] = ()  # what the data says, for questions without a number
    shots: tuple[Shot, ...] = ()
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Letter:
    """The whole letter; ``corrections`` are what the shop settles itself, ``notes`` what was
    waived or not covered."""

    package: str
    shop: str
    tier: str
    date: datetime.date
    to: str
    sender: str
    reference: str
    until: datetime.date | None
    board: str
    questions: tuple[Question, ...]
    corrections: tuple[str, ...]
    notes: tuple[str, ...]
    caution: str = CAUTION
    pictured: bool = field(default=True)

    @property
    def held(self) -> bool:
        """Whether the job waits for an answer."""
        return any(question.severity == "hold" for question in self.questions)


def compose(
    judgement: Judgement,
    shop: Shop,
    rules: Mapping[str, Rule],
    *,
    date: datetime.date,
    to: str = "",
    sender: str = "",
    reference: str = "",
    until: datetime.date | None = None,
) -> Letter:
    """Write the letter of a judgement.

    Findings of one rule and severity are one question. Notes and waived findings ask nothing;
    what the shop's engineer may correct alone is told, not asked.

    Parameters
    ----------
    judgement : Judgement
    shop : Shop
    rules : mapping of rule id to Rule
    date : date
        Day of the letter.
    to, sender, reference : str
        Whom it goes to, who signs it, the order it is about; "" leaves a line to fill in.
    until : date, optional
        Day until which an answer is awaited.
    """
    groups: dict[tuple[str, str], list[Finding]] = {}
    corrected: dict[str, list[Finding]] = {}
    for finding in judgement.findings:
        if finding.waived is not None or finding.severity == "note":
            continue
        if finding.who == "edit":
            corrected.setdefault(finding.rule, []).append(finding)
        else:
            groups.setdefault((finding.severity, finding.rule), []).append(finding)
    drawing = judgement.screening.drawing
    pictures = Pictures(drawing) if drawing is not None else None
    asked = sorted(groups.items(), key=lambda item: item[0][0] != "hold")
    questions = tuple(
        _question(number, findings, judgement, rules.get(id_), pictures)
        for number, ((_, id_), findings) in enumerate(asked, start=1)
    )
    return Letter(
        package=plain(judgement.screening.package),
        shop=plain(shop.title),
        tier=plain(judgement.tier),
        date=date,
        to=plain(to),
        sender=plain(sender),
        reference=plain(reference),
        until=until,
        board=_board(judgement),
        questions=questions,
        corrections=tuple(_correction(f, rules.get(id_)) for id_, f in corrected.items()),
        notes=_notes(judgement),
        pictured=pictures is not None,
    )


def _board(judgement: Judgement) -> str:
    facts = judgement.screening.facts
    parts = []
    if finite(facts.width) is not None and finite(facts.height) is not None:
        parts.append(f"{facts.width:.2f} × {facts.height:.2f} mm")
    parts.append(plural(facts.conductors, "conductor layer"))
    if finite(facts.thickness) is not None:
        parts.append(f"{facts.thickness:.2f} mm thick")
    return ", ".join(parts)


def _question(
    number: int, findings: Sequence[Finding], judgement: Judgement, rule: Rule | None,
    pictures: Pictures | None,
) -> Question:  # fmt: skip
    first = findings[0]  # the worst: findings stand in that order
    measured = [f for f in findings if finite(f.measured) is not None and f.limit is not None]
    placed = [f for f in findings if f.x is not None]
    caution = rule.caution if rule is not None else ""
    quantity = rule.quantity if rule is not None else first.rule
    said: tuple[str, ...] = ()
    if not measured:
        said = tuple(dict.fromkeys(sentence(message_alone(f)) for f in findings))
    rows = tuple(_row(f) for f in placed[:PLACES])
    return Question(
        number=number,
        severity=first.severity,
        rule=first.rule,
        title=sentence(quantity).rstrip("."),
        asks=_asks(measured, quantity) if measured else _asks_data(findings, quantity),
        why=sentence(rule.on_the_floor) if rule is not None else "",
        propose=_propose(findings),
        silence=_silence(first.severity, bool(caution), bool(measured), judgement.tier),
        answers=_answers(findings, bool(caution), bool(measured)),
        rows=rows,
        more=sum(f.count for f in findings) - sum(row.count for row in rows) if placed else 0,
        said=said[:PLACES],
        shots=_shots(placed, pictures),
        caution=sentence(caution),
    )


def _asks(findings: Sequence[Finding], quantity: str) -> str:
    first = findings[0]
    value, limit = pair(first.measured, first.limit, first.unit)
    assert first.measured is not None and first.limit is not None
    bound = "at most" if first.measured > first.limit else "at least"
    places = sum(f.count for f in findings)
    layers = list(dict.fromkeys(plain(on) for f in findings for on in f.every_layer if on))
    on = f" on {layers[0]}" if len(layers) == 1 else f" on {len(layers)} layers" if layers else ""
    at = f" at the worst of {places} places" if places > 1 else ""
    quantity = quantity.removesuffix(" between nets") if first.nets else quantity
    taken = (
        f"our tier {plain(first.fits)} would take it" if first.fits else "no tier of ours takes it"
    )
    return (
        f"The {quantity} is {value}{at}{on}. Tier {plain(first.tier)} needs {bound} {limit}; "
        f"{taken}. How shall we go on?"
    )


def _asks_data(findings: Sequence[Finding], quantity: str) -> str:
    count = f", {len(findings)} times" if len(findings) > 1 else ""
    return f"Your data leaves this open ({quantity}{count}). Can you settle it?"


def _row(finding: Finding) -> Row:
    assert finding.x is not None and finding.y is not None
    value, limit = pair(finite(finding.measured), finite(finding.limit), finding.unit)
    return Row(
        layer=", ".join(plain(on) for on in finding.every_layer),
        mm=f"{finding.x:.3f}, {finding.y:.3f}",
        inch=f"{finding.x / _INCH:.4f}, {finding.y / _INCH:.4f}",
        nets=" | ".join(plain(net) for net in finding.nets),
        measured=value,
        required=limit,
        count=finding.count,
        fingerprint=finding.fingerprint,
    )


def _propose(findings: Sequence[Finding]) -> str:
    remedies = list(dict.fromkeys(sentence(plain(f.remedy)) for f in findings if f.remedy))
    out = " ".join(remedies[:3])
    fits = {f.fits for f in findings}
    if "" not in fits:
        out += f" Or we build the board in tier {' or '.join(sorted(plain(f) for f in fits))}."
    return out.strip()


def _silence(severity: str, caution: bool, measured: bool, tier: str) -> str:
    """What happens when no answer comes. Nothing is ever changed, and no other tier charged,
    without one."""
    if severity == "hold":
        return "The job stays on hold; nothing is built."
    if caution:
        return "The job waits: this may touch safety, so we do not decide it for you."
    if measured:
        return f"We build it as drawn, in tier {plain(tier)}, at your risk."
    return "We go on with the data as we read it, at your risk."


def _answers(findings: Sequence[Finding], caution: bool, measured: bool) -> tuple[str, ...]:
    fits = sorted({plain(f.fits) for f in findings if f.fits})
    out = ["Changed as proposed; new data follows."]
    if measured and all(f.fits for f in findings):
        out += [f"Build it in tier {tier}." for tier in fits]
    if findings[0].severity == "query":
        if measured:
            out.append("Build it as drawn, at our risk.")
        else:
            out.append("Your reading is right; go on.")
    elif not measured and findings[0].rule not in UNTRUSTED:
        out.append("It is meant as it is; go on.")
    return (*out, "Other:")


def _shots(placed: Sequence[Finding], pictures: Pictures | None) -> tuple[Shot, ...]:
    out: list[Shot] = []
    for finding in placed:
        if pictures is None or len(out) == PICTURES:
            break
        image = pictures.of(finding)
        if image is None:
            continue
        stream = io.BytesIO()
        image.save(stream, "PNG", compress_level=6)
        where = f"{plain(finding.layer)} at {finding.x:.3f}, {finding.y:.3f} mm"
        out.append(Shot(stream.getvalue(), where.strip()))
    return tuple(out)


def _correction(findings: Sequence[Finding], rule: Rule | None) -> str:
    first = findings[0]
    quantity = rule.quantity if rule is not None else first.rule
    layers = list(dict.fromkeys(plain(on) for f in findings for on in f.every_layer if on))
    places = plural(sum(f.count for f in findings), "place")
    on = f" on {', '.join(layers)}" if layers else ""
    return sentence(f"{quantity}, {places}{on}: {plain(first.remedy)}")


def _notes(judgement: Judgement) -> tuple[str, ...]:
    waived = [
        sentence(
            f"Accepted by {plain(f.waived.name)} ({plain(f.waived.reason)}): {message_alone(f)}"
        )
        for f in judgement.findings
        if f.waived is not None
    ]
    gaps = dict.fromkeys((gap.rule, gap.reason) for gap in judgement.screening.gaps)
    return (
        *waived,
        *(sentence(f"Not measured: {f'{id_}: ' if id_ else ''}{plain(why)}") for id_, why in gaps),
    )
