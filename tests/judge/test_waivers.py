"""Waivers: what they cover, what they do not, and the file they live in."""

from __future__ import annotations

import datetime
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shop_parts import RULES, SPACING, screening, shop, spacings

from dfmcheck.errors import UsageError
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Judgement, Verdict, Waiver
from dfmcheck.judge.waivers import Waivers, file_for, find, load, record
from dfmcheck.measure.screening import Screening
from dfmcheck.terms import Defect, Gap, Weight

DAY = datetime.date(2026, 11, 25)
PLACES = spacings([0.12, 0.05])  # a query that tier fine takes, and a hold


def waiver(fingerprint: str, **more: object) -> Waiver:
    fields: dict[str, object] = {
        "fingerprint": fingerprint,
        "rule": "etch.conductor-spacing",
        "reason": "Seen on the sample of 3 March",
        "name": "M. Okafor",
        "date": DAY,
    }
    return Waiver(**{**fields, **more})  # type: ignore[arg-type]


def judged(made: Screening, *entries: Waiver, today: datetime.date = DAY) -> Judgement:
    kept = Waivers("job.waivers.toml", entries)
    return judge(made, shop(SPACING), rules=RULES, waivers=kept, today=today)


def prints(made: Screening) -> dict[str, str]:
    plain = judge(made, shop(SPACING), rules=RULES)
    return {finding.severity: finding.fingerprint for finding in plain.findings}


def test_a_waived_finding_stays_and_does_not_count() -> None:
    made = screening(PLACES)
    names = prints(made)
    part = judged(made, waiver(names["hold"]))
    assert part.verdict is Verdict.QUERY
    assert [f.waived is not None for f in part.findings] == [True, False]
    whole = judged(made, waiver(names["hold"]), waiver(names["query"]))
    assert whole.verdict is Verdict.RELEASE
    assert len(whole.findings) == 2
    assert whole.reasons[0].endswith("or is waived")
    assert any("Waived by M. Okafor: 2 findings" in reason for reason in whole.reasons)


def test_a_waiver_changes_nothing_in_the_fit_of_a_tier_but_is_told() -> None:
    made = screening(PLACES)
    before = judge(made, shop(SPACING), rules=RULES)
    after = judged(made, waiver(prints(made)["hold"]))
    assert [fit.places for fit in after.tier_fit] == [fit.places for fit in before.tier_fit]
    assert [fit.waived for fit in after.tier_fit] == [1, 1]
    after = judged(made, waiver(prints(made)["query"]))
    assert [fit.waived for fit in after.tier_fit] == [1, 0]  # tier fine takes that place anyway
    assert after.to_reach == before.to_reach


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"expires": DAY - datetime.timedelta(1), "date": DAY - datetime.timedelta(9)}, "expired"),
        ({"rule": "etch.notch"}, "one of etch.conductor-spacing"),
        ({"severity": "query"}, "now a hold"),
        ({"date": DAY + datetime.timedelta(1)}, "still to come"),
        ({"fingerprint": "0123456789ab"}, "no finding has this fingerprint"),
    ],
)
def test_a_waiver_that_does_not_fit_does_not_count_and_is_told(
    more: dict[str, object], why: str
) -> None:
    made = screening(PLACES)
    entry = replace(waiver(prints(made)["hold"]), **more)  # type: ignore[arg-type]
    result = judged(made, entry)
    assert result.verdict is Verdict.HOLD
    assert result.waivers is not None and result.waivers.used == ()
    assert why in result.waivers.unused[0][1]
    assert any(why in reason for reason in result.reasons)


def test_a_waiver_counts_on_its_last_day() -> None:
    made = screening(PLACES)
    entry = waiver(prints(made)["hold"], expires=DAY)
    assert judged(made, entry).verdict is Verdict.QUERY
    assert judged(made, entry, today=DAY + datetime.timedelta(1)).verdict is Verdict.HOLD


def test_a_waiver_does_not_cover_places_that_came_later() -> None:
    made = screening(spacings([0.05, 0.06], x=[0.0, 0.1]))
    entry = waiver(prints(made)["hold"], places=1)
    result = judged(made, entry)
    assert result.verdict is Verdict.HOLD
    assert result.waivers is not None
    assert "was given for 1 of the 2 places" in result.waivers.unused[0][1]
    assert judged(made, replace(entry, places=2)).verdict is Verdict.RELEASE


def test_the_caution_of_a_rule_goes_with_its_waiver() -> None:
    told = replace(RULES["etch.conductor-spacing"], caution="Safety spacing is judged elsewhere.")
    made = screening(PLACES)
    kept = Waivers("w", (waiver(prints(made)["hold"]),))
    result = judge(
        made, shop(SPACING), rules={**RULES, told.id: told}, waivers=kept, today=DAY
    )  # fmt: skip
    assert any("Safety spacing is judged elsewhere" in reason for reason in result.reasons)


def test_data_that_cannot_be_trusted_is_not_waived_and_gaps_still_count() -> None:
    defect = Defect("data.unreadable-file", Weight.HOLD, "an empty file", "a layer", "Ask.", "a")
    gap = Gap("etch.conductor-spacing", "conductor-2", "the file could not be read")
    made = screening(spacings([0.05]), defects=(defect,), gaps=(gap,))
    plain = judge(made, shop(SPACING), rules=RULES)
    entries = [waiver(f.fingerprint, rule=f.rule) for f in plain.findings]
    result = judged(made, *entries)
    assert result.verdict is Verdict.HOLD
    assert result.waivers is not None
    assert [w.rule for w, _ in result.waivers.unused] == ["data.unreadable-file"]
    only_gap = judged(screening(spacings([0.05]), gaps=(gap,)), *entries[1:])
    assert only_gap.verdict is Verdict.QUERY


# -- the file -----------------------------------------------------------------------------

GOOD = """[[waiver]]
fingerprint = "5f1d2c3b4a59"
rule = "etch.notch"
reason = "Coupon"
name = "M. Okafor"
date = 2026-11-25
"""


@pytest.mark.parametrize(
    ("text", "line", "told"),
    [
        (GOOD.replace("2026-11-25", '"2026-11-25"'), 6, "without quotes"),
        (GOOD.replace("2026-11-25", "2026-11-25T10:00:00"), 6, "a date without quotes"),
        (GOOD.replace('"Coupon"', '" "'), 4, "text that is not empty"),
        (GOOD.replace("5f1d2c3b4a59", "notch"), 2, "twelve letters and digits"),
        (GOOD.replace("reason", "reasn"), 4, "Did you mean 'reason'?"),
        (GOOD.replace('name = "M. Okafor"\n', ""), 1, "without name"),
        (GOOD + "expires = 2026-11-24\n", 7, "not before its date"),
        (GOOD + "places = 0\n", 7, "above zero"),
        (GOOD + "places = true\n", 7, "above zero"),
        (GOOD + 'severity = "worst"\n', 7, "one of note, query, hold"),
        (GOOD + "\n" + GOOD, 8, "waived twice, first on line 1"),
        ("waiver = 3\n", 1, "double brackets"),
        ('# mine\n[shop]\nname = "x"\n', 2, "only [[waiver]]"),
        (GOOD + "broken = \n", 7, "not TOML"),
    ],
)
def test_what_does_not_hold_is_told_with_its_line(
    tmp_path: Path, text: str, line: int, told: str
) -> None:
    path = tmp_path / "job.waivers.toml"
    path.write_text(text)
    with pytest.raises(UsageError) as caught:
        load(path)
    assert f"{path}, line {line}: " in str(caught.value)
    assert told in str(caught.value)


def test_recording_keeps_the_rest_of_the_file_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "job.waivers.toml"
    head = "# kept by the planning office\n\n"
    other = GOOD.replace("5f1d2c3b4a59", "aaaaaaaaaaaa")
    path.write_text(head + GOOD + "\n# the second one\n" + other)
    record(path, [waiver("5f1d2c3b4a59", reason="Again", places=4, severity="hold")])
    text = path.read_text()
    assert text.startswith(head.rstrip("\n"))
    assert "# the second one\n" + other.rstrip("\n") in text
    entries = {entry.fingerprint: entry for entry in load(path).entries}
    assert entries["aaaaaaaaaaaa"].reason == "Coupon"
    assert entries["5f1d2c3b4a59"].reason == "Again"
    assert (entries["5f1d2c3b4a59"].places, len(entries)) == (4, 2)


@given(st.text(st.characters(exclude_categories=("Cs",)), min_size=1).filter(str.strip))
def test_any_reason_survives_writing_and_reading(reason: str) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "job.waivers.toml"
        record(path, [waiver("5f1d2c3b4a59", reason=reason, expires=DAY)])
        entry = load(path).entries[0]
        assert (entry.reason, entry.expires) == (reason, DAY)
        assert tomllib.loads(path.read_text(encoding="utf-8"))["waiver"][0]["reason"] == reason


def test_the_file_beside_the_package_is_found(tmp_path: Path) -> None:
    folder = tmp_path / "kettle 1.2"
    folder.mkdir()
    assert file_for(folder).name == "kettle 1.2.waivers.toml"
    assert file_for(tmp_path / "a.tar.gz").name == "a.waivers.toml"
    assert find(folder) is None
    file_for(folder).write_text(GOOD)
    found = find(folder)
    assert found is not None and found.found and len(found.entries) == 1
    # a screening kept under another name knows its package
    assert find(tmp_path / "x.screening", "kettle 1.2") is not None
