"""What a reader sees on the terminal."""

from __future__ import annotations

import dataclasses
import io
import re

import made_up
import pytest
from rich.console import Console

from dfmcheck.judge.finding import Judgement, Tightest
from dfmcheck.measure.screening import Facts, FileEntry
from dfmcheck.report.terminal import render, tightest_per_rule
from dfmcheck.report.terminal_inspect import render_inspect
from dfmcheck.report.text import CAUTION
from dfmcheck.terms import Assumption, Step


def shown(
    judgement: Judgement, width: int = 120, limit: int | None = 5, colour: bool = False
) -> str:
    out = io.StringIO()
    console = Console(
        file=out,
        width=width,
        force_terminal=colour,
        color_system="truecolor" if colour else None,
        highlight=False,
    )
    render(judgement, console, limit=limit, rules=made_up.RULES)
    return out.getvalue()


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("width", [60, 80, 120, 200])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    for line in shown(made_up.judgement(), width).splitlines():
        assert len(line) <= width


def test_a_rule_is_not_broken_at_80_columns() -> None:
    text = shown(made_up.judgement(), 80)
    table = text[text.index("── tightest value") : text.index("── findings by")]
    for item in made_up.judgement().tightest:
        assert f" {item.rule} " in table


def test_order_verdict_reasons_job_tiers_tightest_findings_assumptions_coverage_caution() -> None:
    text = flat(shown(made_up.judgement()))
    parts = [
        "HOLD cannot be built",
        "heater-controller_rev-C.zip",
        "so the bottom mask is not covered",
        "── job",
        "── fit to each tier",
        "── tightest value",
        "── findings by fabrication step",
        "── taken for true",
        "── not covered",
        "A clean report is no certificate",
    ]
    at = [text.index(part) for part in parts]
    assert at == sorted(at)
    assert text.endswith(CAUTION)


def test_findings_follow_the_order_of_the_fabrication_steps() -> None:
    text = shown(made_up.judgement())
    at = [text.find(f"── {step}:") for step in Step]
    present = [place for place in at if place >= 0]
    assert len(present) == 4
    assert present == sorted(present)


def test_long_groups_are_cut_worst_first_and_say_how_to_see_the_rest() -> None:
    text = shown(made_up.judgement())
    etch = text[text.index("── etch:") : text.index("── drill:")]
    values = [float(v) for v in re.findall(r"^  [■▲○] ([\d.]+) mm", etch, re.M)]
    assert values[0] == 0.071
    assert len(values) == 5
    assert values[1:] == sorted(values[1:])
    assert "… 8 more at 36 places; --all lists them" in etch


def test_without_a_limit_every_finding_is_listed() -> None:
    judgement = made_up.judgement()
    text = shown(judgement, limit=None)
    etch = text[text.index("── etch:") : text.index("── drill:")]
    expected = sum(finding.step == "etch" for finding in judgement.findings)
    assert len(re.findall(r"^  [■▲○] ", etch, re.M)) == expected
    assert "--all" not in text


def test_a_finding_shows_value_limit_shortfall_place_nets_sources_remedy_and_who() -> None:
    text = flat(shown(made_up.judgement()))
    for part in (
        "0.071 mm tier fine needs 0.075 mm, short by 0.004 mm; no tier takes it",
        "conductor-1 at 23.412, 10.002 mm nets GND | +3V3 14 places within 21.2, 9.8 to 25.1, 11.4",
        "heater-top.gtl line 1204 (code 12), line 1310 (code 14)",
        "change Move the conductors apart or narrow the wider one. The customer must decide.",
        "9.10 tier standard allows 8.00, over by 1.10; 8.00 in the data, before the shop's "
        "allowance; fine takes it",
    ):
        assert part in text


def test_the_kind_of_place_is_told_beside_its_value() -> None:
    lone = made_up.finding(kind="lone copper")
    judgement = dataclasses.replace(made_up.judgement(), findings=(lone,))
    assert re.search(r"mm \(lone copper\)  tier \w+ needs", shown(judgement))


def test_every_layer_a_hole_concerns_is_named() -> None:
    several = made_up.finding(layer="conductor-2", also_on=("conductor-1", "conductor-10"))
    judgement = dataclasses.replace(made_up.judgement(), findings=(several,))
    assert "conductor-2, conductor-1, conductor-10  at" in shown(judgement)


def test_a_value_just_past_its_limit_gets_the_digits_it_takes() -> None:
    near = made_up.finding(measured=0.0997, raw=0.0997)
    judgement = dataclasses.replace(made_up.judgement(), findings=(near,))
    assert "0.0997 mm  tier standard needs 0.1000 mm, short by 0.0003 mm" in shown(judgement)


def test_nothing_is_told_by_colour_alone() -> None:
    plain = shown(made_up.judgement())
    coloured = re.sub(r"\x1b\[[0-9;]*m", "", shown(made_up.judgement(), colour=True))
    assert "\x1b" not in plain
    assert flat(plain) == flat(coloured)


def test_escape_sequences_in_the_data_do_not_reach_the_terminal() -> None:
    base = made_up.judgement()
    bad = "\x1b[2Jgone\u202e.gbr"
    screening = dataclasses.replace(
        base.screening, package=bad, files=(FileEntry(bad, "unknown", "x", 0, (bad,), read=False),)
    )
    judgement = dataclasses.replace(
        base, screening=screening, reasons=(bad,), findings=(made_up.finding(nets=(bad,)),)
    )
    out = io.StringIO()
    render_inspect(screening, Console(file=out, width=100, color_system=None))
    for text in (shown(judgement), out.getvalue()):
        assert "gone" in text
        assert "\x1b" not in text
        assert "\u202e" not in text


def test_square_brackets_in_names_are_not_taken_for_styling() -> None:
    odd = made_up.finding(nets=("DATA[0]", "[bold]"), message="[red]x")
    text = shown(dataclasses.replace(made_up.judgement(), findings=(odd,), reasons=("[dim]why",)))
    assert "nets DATA[0] | [bold]" in text
    assert "[dim]why" in text


def test_terminal_without_unicode_gets_marks_it_can_print() -> None:
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding="ascii", errors="replace")
    render(made_up.judgement(), Console(file=out, width=80, color_system=None), limit=5)
    out.flush()
    text = raw.getvalue().decode("ascii")
    assert text.startswith("# HOLD")
    assert "\n-- job ---" in text


def test_clean_board_still_shows_tightest_values_and_the_caution() -> None:
    text = flat(shown(made_up.clean()))
    assert text.startswith("● RELEASE nothing to ask")
    assert "drill.hole-to-hole 0.411 mm 0.300" in text
    assert "0 findings" in text
    assert "● standard fits" in text
    assert CAUTION in text


def test_facts_the_data_does_not_give_are_said_to_be_missing() -> None:
    base = made_up.clean()
    judgement = dataclasses.replace(
        base, screening=dataclasses.replace(base.screening, facts=Facts())
    )
    text = shown(judgement)
    assert "size unknown" in text
    assert "thickness not stated" in text


def test_steps_never_measured_are_not_shown_as_clean() -> None:
    lines = shown(made_up.judgement()).splitlines()
    names = next(n for n, line in enumerate(lines) if line.startswith("  data    etch"))
    steps, marks = lines[names], lines[names + 1]
    state = {step: marks[steps.index(step)] for step in map(str, Step)}
    assert state == {
        "data": "■", "etch": "■", "press": "–", "drill": "▲", "plate": "○", "mask": "◐",
        "legend": "–", "rout": "–", "stencil": "–",
    }  # fmt: skip


def test_tightest_per_rule_takes_the_layer_worst_against_its_limit() -> None:
    wide = Tightest("etch.conductor-spacing", "conductor-1", 0.12, "mm", 0, 0, 0.0, 0.15)
    slim = Tightest("etch.conductor-spacing", "conductor-2", 0.10, "mm", 0, 0, 0.0, 0.09)
    low = Tightest("drill.aspect-ratio", "drill-plated-1-4", 5.0, "1", 0, 0, 0.0, 8.0)
    high = Tightest("drill.aspect-ratio", "drill-plated-1-2", 7.0, "1", 0, 0, 0.0, 8.0)
    nan = Tightest("mask.web", "mask-top", float("nan"), "mm", 0, 0, 0.0)
    assert tightest_per_rule([slim, low, high, wide, nan], made_up.RULES) == [wide, high]


@pytest.mark.parametrize("width", [80, 120])
def test_inspect_lists_every_file_with_role_format_confidence_and_evidence(width: int) -> None:
    out = io.StringIO()
    screening = made_up.screening()
    render_inspect(screening, Console(file=out, width=width, color_system=None))
    text = out.getvalue()
    assert all(len(line) <= width for line in text.splitlines())
    together = re.sub(r"\s+", "", text)
    for entry in screening.files:
        assert entry.role in text
        assert f"{entry.confidence:.0%}" in text
        for evidence in entry.evidence:
            assert width == 120 or re.sub(r"\s+", "", evidence) in together
    assert re.search(r"■ +mask-bottom", text)
    assert re.search(r"▲ +conductor-3 .* 70%", text)
    assert "tool 6 has no diameter; expected C followed by a size" in flat(text)
    assert "1 doubtful" in text


def test_tier_that_was_not_measured_far_enough_is_not_said_to_fit() -> None:
    text = flat(shown(made_up.judgement()))
    assert "extra-fine cannot be told etch.conductor-width was not measured far enough" in text
    assert "412 × drill.aspect-ratio" in text


def test_remedy_is_not_told_twice() -> None:
    odd = made_up.finding(
        measured=None,
        limit=None,
        message="a.drl: no size; expected one. Ask for it. (First of 3 places like it.)",
        remedy="Ask for it.",
    )
    text = flat(shown(dataclasses.replace(made_up.judgement(), findings=(odd,))))
    assert "a.drl: no size; expected one. (First of 3 places like it.)" in text
    assert text.count("Ask for it.") == 1


def test_nets_without_a_name_do_not_read_net_net() -> None:
    nets = made_up.finding(nets=("net 51", "net 7"), fingerprint="n1")
    text = shown(dataclasses.replace(made_up.judgement(), findings=(nets,)))
    assert "mm  net 51 | net 7" in text


def test_inspect_does_not_repeat_as_an_assumption_the_role_shown_in_the_table() -> None:
    screening = made_up.screening()
    role = Assumption("role of the file", "conductor-2", "ground", "gerber/heater-in1.g1", 0.95)
    out = io.StringIO()
    render_inspect(
        dataclasses.replace(screening, assumptions=(*screening.assumptions, role)),
        Console(file=out, width=120, color_system=None),
    )
    assert "role of the file" not in out.getvalue()
    assert "drill unit: millimetres" in out.getvalue()
