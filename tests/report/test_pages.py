"""Rule pages."""

from __future__ import annotations

import io
from pathlib import Path

import made_up
from rich.console import Console

from dfmcheck.capability import HoleAllowance, Limit, Range, Shop, Variant
from dfmcheck.measure.rule import rules
from dfmcheck.report.pages import (
    ShopLimit,
    markdown,
    render_rule,
    render_rule_list,
    stale_pages,
    suggest,
    write_pages,
)
from dfmcheck.report.shop_limits import limits_by_rule, shipped_limits

LIMITS = (ShopLimit("example", "outer layers", (("standard", 0.15), ("fine", 0.1)), "own trials"),)


def test_page_holds_every_part_of_the_rule_entry() -> None:
    rule = made_up.SPACING
    text = markdown(rule, LIMITS)
    assert text.startswith("# etch.conductor-spacing\n")
    for part in (rule.on_the_floor, rule.change, rule.front_end, rule.caution):
        assert part in " ".join(text.split())
    assert "Spacing between conductors of different nets." in text
    assert "must not be below the limit" in text
    assert "The customer must decide." in text
    assert "Common practice." in text
    line = "| example | outer layers | standard 0.150 mm, fine 0.100 mm | own trials |"
    assert line in text.splitlines()
    assert text.endswith("|\n")


def test_allowance_is_explained_only_where_there_is_one() -> None:
    assert "## Allowance" not in markdown(made_up.SPACING)
    assert "## Allowance" in markdown(made_up.ASPECT)


def test_terminal_page_says_the_same_as_the_written_one() -> None:
    out = io.StringIO()
    render_rule(made_up.SPACING, Console(file=out, width=80, color_system=None), LIMITS)
    text = " ".join(out.getvalue().split())
    for part in (made_up.SPACING.on_the_floor, made_up.SPACING.change, "standard 0.150 mm"):
        assert part in text
    assert all(len(line) <= 80 for line in out.getvalue().splitlines())


def test_list_has_one_line_per_rule() -> None:
    out = io.StringIO()
    render_rule_list(made_up.RULES, Console(file=out, width=80, color_system=None))
    for id_ in made_up.RULES:
        assert sum(line.strip().startswith(f"{id_} ") for line in out.getvalue().splitlines()) == 1


def test_pages_are_written_once_and_those_of_no_rule_removed(tmp_path: Path) -> None:
    limits = {"etch.conductor-spacing": LIMITS}
    gone = tmp_path / "etch.gone.md"
    gone.write_text("old")
    assert len(write_pages(tmp_path, made_up.RULES, limits)) == len(made_up.RULES) + 2
    assert not gone.exists()
    assert stale_pages(tmp_path, made_up.RULES, limits) == []
    assert write_pages(tmp_path, made_up.RULES, limits) == []
    page = tmp_path / "drill.aspect-ratio.md"
    page.write_text("edited by hand")
    assert stale_pages(tmp_path, made_up.RULES, limits) == [page]
    index = (tmp_path / "README.md").read_text()
    for id_ in made_up.RULES:
        assert f"({id_}.md)" in index
        assert (tmp_path / f"{id_}.md").is_file()


def test_suggestions_for_a_mistyped_rule() -> None:
    known = list(made_up.RULES)
    assert suggest("etch.conducter-spacing", known)[0] == "etch.conductor-spacing"
    assert suggest("aspect", known) == ["drill.aspect-ratio"]
    assert suggest("zzzz", known) == []


def test_limits_of_a_shop_list_variants_before_what_holds_otherwise() -> None:
    limit = Limit(
        rule="etch.conductor-spacing",
        unit="mm",
        direction="at-least",
        allowance="none",
        values={"fine": 0.1, "standard": 0.15},
        source="common practice",
        variants=(Variant(values={"standard": 0.25}, copper_um=Range(min=60)),),
    )
    shop = Shop(
        name="example",
        title="Example Circuits",
        tiers=("standard", "fine"),
        default_tier="standard",
        allowance=HoleAllowance(),
        limits={limit.rule: limit},
    )
    assert limits_by_rule([shop]) == {
        "etch.conductor-spacing": [
            ShopLimit("example", "copper from 60 µm", (("standard", 0.25),), "common practice"),
            ShopLimit(
                "example",
                "otherwise",
                (("standard", 0.15), ("fine", 0.1)),
                "common practice",
            ),
        ]
    }


def test_written_pages_of_the_checkout_are_up_to_date() -> None:
    folder = Path(__file__).resolve().parents[2] / "docs" / "rules"
    assert stale_pages(folder, rules(), shipped_limits()) == [], "run docs/make_rule_pages.py"
