"""``dfmcheck waive``: record that a person accepted findings."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dfmcheck.commands.common import (
    CopperOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    console,
    plain_failures,
)
from dfmcheck.commands.inputs import EitherArg, WaiversOption, screening_of

if TYPE_CHECKING:
    from dfmcheck.judge.finding import Finding, Waiver


def waive(
    package: EitherArg,
    fingerprints: Annotated[
        list[str],
        typer.Argument(
            help="Fingerprints of findings, or rule ids for all of a rule.", show_default=False
        ),
    ],
    shop: ShopOption,
    reason: Annotated[str, typer.Option("--reason", help="Why it is accepted.")],
    by: Annotated[str, typer.Option("--by", help="Name of the person who accepts it.")],
    expires: Annotated[
        str | None,
        typer.Option("--expires", help="Last day it counts, as 2027-05-25; better given."),
    ] = None,
    tier: TierOption = None,
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    waivers: WaiversOption = None,
) -> None:
    """Record findings as accepted, in NAME.waivers.toml beside the package.

    The findings are judged first, so that what is accepted is shown, and only
    what is there can be waived. A waived finding stays in every report and does
    not count in the verdict.
    """
    with plain_failures():
        from dfmcheck.capability import load_shop
        from dfmcheck.judge import judge
        from dfmcheck.judge import waivers as kept
        from dfmcheck.judge.finding import Waiver
        from dfmcheck.measure.rule import rules

        today = datetime.date.today()
        until = _date(expires, today)
        for option, text in (("--reason", reason), ("--by", by)):
            _not_empty(option, text)
        shop_file = load_shop(shop)
        place = waivers or kept.file_for(package)
        before = kept.load(place) if place.exists() else None
        screening = screening_of(package, shop_file, thickness=thickness, copper=copper)
        judgement = judge(
            screening,
            shop_file,
            tier=tier,
            thickness=thickness,
            copper_um=copper,
            rules=rules(),
            waivers=before,
        )
        chosen = _chosen(judgement.findings, fingerprints)
        entries = [
            Waiver(
                fingerprint=finding.fingerprint,
                rule=finding.rule,
                reason=reason.strip(),
                name=by.strip(),
                date=today,
                expires=until,
                severity=finding.severity,
                places=finding.count,
            )
            for finding in chosen
        ]
        kept.record(place, entries)
        _tell(chosen, entries, place)


def _not_empty(option: str, text: str) -> None:
    from dfmcheck.errors import UsageError

    if not text.strip():
        raise UsageError(f"{option} is empty", "words", "A waiver names a person and a reason.")


def _date(text: str | None, today: datetime.date) -> datetime.date | None:
    from dfmcheck.errors import UsageError

    if text is None:
        return None
    try:
        day = datetime.date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            f"--expires {text}", "a day, as 2027-05-25", "Write year, month and day."
        ) from error
    if day < today:
        raise UsageError(f"--expires {text}", "a day still to come", "Give a later day.")
    return day


def _chosen(findings: tuple[Finding, ...], wanted: list[str]) -> list[Finding]:
    """Findings by fingerprint or rule id, in the order of the report; all must be there and
    may be waived."""
    from difflib import get_close_matches

    from dfmcheck.errors import UsageError
    from dfmcheck.judge.waivers import refusal

    known = {finding.fingerprint for finding in findings} | {finding.rule for finding in findings}
    for word in wanted:
        if word not in known:
            near = get_close_matches(word, known, n=1)
            raise UsageError(
                f"no finding has the fingerprint or rule '{word}'",
                "a fingerprint of this shop and tier's report",
                f"Did you mean '{near[0]}'?"
                if near
                else "`dfmcheck judge --json` and --csv give the fingerprints.",
            )
    out = [f for f in findings if f.fingerprint in wanted or f.rule in wanted]
    for finding in out:
        if why := refusal(finding):
            raise UsageError(
                f"{finding.fingerprint} ({finding.rule}) cannot be waived: {why}",
                "a finding that can be accepted",
                "Leave it out.",
            )
    return out


def _tell(findings: list[Finding], entries: list[Waiver], place: Path) -> None:
    from rich.text import Text

    from dfmcheck.measure.rule import rules
    from dfmcheck.report.look import hanging, inset, mark
    from dfmcheck.report.terminal_reach import waived_words
    from dfmcheck.report.text import message_alone, plain, plural

    out = console()
    out.print(Text(f"waived {plural(len(findings), 'finding')} in {plain(str(place))}"))
    for finding in findings:
        text = Text.assemble(
            (plain(finding.rule), "bold"), f"  {finding.fingerprint}  {finding.severity}"
        )
        text.append(f"\n{message_alone(finding)}")
        out.print(hanging(mark("waived", out), text))
    out.print(inset(Text(waived_words(entries[0]))))
    if entries[0].expires is None:
        out.print(hanging(mark("query", out), Text("no expiry was given: it counts for ever")))
    known = rules()
    for id_ in dict.fromkeys(finding.rule for finding in findings):
        if id_ in known and known[id_].caution:
            out.print(hanging(mark("query", out), Text(f"caution, {id_}: {known[id_].caution}")))
