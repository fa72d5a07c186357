"""What goes into the HTML report: histograms, job facts, outlines, and the commands' option."""

from __future__ import annotations

import base64
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from dfmcheck.capability import parse_shop
from dfmcheck.cli import app
from dfmcheck.measure import drawing as drawings
from dfmcheck.measure.places import Places
from dfmcheck.report.html import to_html
from dfmcheck.report.html.job import copper_rows, hole_rows, job_facts
from dfmcheck.report.html.payload import outlines, packed
from dfmcheck.report.html.spread import WIDTH, families
from tests.report import made_up

SAMPLE = Path(__file__).parents[2] / "sample_boards" / "tide-logger-planted"
SHOP = parse_shop(
    """
[shop]
name = "copperline"
title = "Copperline (invented)"
units = "mm"
tiers = ["standard", "fine"]
default_tier = "standard"
[limits."etch.conductor-spacing"]
standard = 0.1
fine = 0.075
[[limits."etch.conductor-spacing".when]]
position = "inner"
standard = 0.12
fine = 0.09
""",
    rules=made_up.RULES,
)


def spread_of(values: list[float], layer: str, position: str) -> Places:
    x = np.arange(float(len(values)))
    return Places.of(
        value=np.array(values), x=x, y=x, rule="etch.conductor-spacing", layer=layer,
        position=position,
    )  # fmt: skip


def made(places: Places):  # type: ignore[no-untyped-def]
    full = made_up.judgement()
    return replace(full, tiers=SHOP.tiers, screening=replace(full.screening, places=places))


def test_histogram_counts_every_place_and_those_past_the_limit() -> None:
    outer = spread_of([0.07, 0.09, 0.0999, 0.1, 0.15, 0.19], "conductor-1", "outer")
    inner = spread_of([0.11, 0.12, 0.13], "conductor-10", "inner")
    early = spread_of([0.2], "conductor-2", "inner")
    (family,) = families(made(Places.concat([inner, outer, early])), SHOP, made_up.RULES, None)
    assert [plot.layer for plot in family.plots] == ["conductor-1", "conductor-2", "conductor-10"]
    first, _, last = family.plots
    assert (first.count, first.least) == (6, "0.070 mm")
    past = [bar for bar in first.bars if bar.kind == "past"]
    assert sum(int(bar.title.split(": ")[1].split()[0]) for bar in past) == 3
    assert "3 past the limit of tier standard" in first.summary
    # limits of inner layers are their own; the scale runs to the reach, 0.2
    assert [(m.tier, m.x) for m in first.marks] == [
        ("fine", pytest.approx(0.075 / 0.2 * WIDTH, abs=0.01)),
        ("standard", pytest.approx(0.1 / 0.2 * WIDTH, abs=0.01)),
    ]
    assert [m.x for m in last.marks] == [
        pytest.approx(0.09 / 0.2 * WIDTH, abs=0.01),
        pytest.approx(0.12 / 0.2 * WIDTH, abs=0.01),
    ]


def test_values_below_nought_and_above_the_scale_do_not_break_it() -> None:
    places = spread_of([-0.05, 0.1, 3.0], "conductor-1", "outer")
    (family,) = families(made(places), SHOP, made_up.RULES, None)
    (plot,) = family.plots
    assert plot.count == 3 and plot.least == "-0.050 mm"
    assert sum(int(bar.title.split(": ")[1].split()[0]) for bar in plot.bars) == 2  # 3.0 is beyond
    assert all(0 <= bar.x <= WIDTH and bar.height > 0 for bar in plot.bars)


def test_no_places_no_histogram() -> None:
    assert families(made(Places.empty()), SHOP, made_up.RULES, None) == ()


def test_job_facts_say_what_is_unknown() -> None:
    facts = {fact.name: fact for fact in job_facts(made_up.judgement())}
    assert facts["Board size"].value == "84.00 × 51.50 mm"
    assert (facts["Thickness"].value, facts["Thickness"].remark) == (
        "–",
        "not stated in the data",
    )
    assert facts["Smallest space"].value == "0.071 mm"
    assert facts["Smallest space"].remark == "on conductor-1"
    screening = made_up.screening()
    rows = hole_rows(screening.facts)
    assert rows[-1].size == "no size stated" and rows[-1].plating == "plating unknown"
    copper = copper_rows(screening.facts)
    assert [row.side for row in copper] == ["top", "inner", "inner", "bottom"]
    assert (copper[0].share, copper[3].area) == ("43%", "–")


def test_outlines_are_unpacked_as_the_page_unpacks_them() -> None:
    import shapely

    ring = shapely.box(0, 0, 10, 10) - shapely.box(4, 4, 5, 5)
    layer = drawings.reduced(
        "conductor-1", np.array([ring, shapely.box(20, 1, 21, 2)]), (0, 0), 0.004
    )
    words = np.frombuffer(zlib.decompress(base64.b64decode(packed(outlines(layer)))), "<i4")
    rings, polygons = words[:2].tolist()
    sizes, owners = words[2 : 2 + rings], words[2 + rings : 2 + rings + polygons]
    xs, ys = words[2 + rings + polygons :].reshape(2, -1).cumsum(axis=1)
    assert sizes.tolist() == [4, 4, 4] and owners.tolist() == [2, 1]
    assert np.array_equal(np.stack([xs, ys], axis=-1), layer.xy)


def test_made_up_board_without_a_drawing_says_so() -> None:
    text = to_html(made_up.judgement(), SHOP, made_up.RULES)
    assert "The board is not drawn here" in text
    assert 'id="outline-' not in text


def test_screen_and_judge_write_the_report(tmp_path: Path) -> None:
    kept, one, two = (tmp_path / name for name in ("a.screening", "one.html", "two.html"))
    run = CliRunner().invoke(
        app,
        ["screen", str(SAMPLE), "--shop", "volume", "--quiet", "--save", str(kept), "--html",
         str(one)],
    )  # fmt: skip
    assert run.exit_code == 20, run.output
    run = CliRunner().invoke(
        app, ["judge", str(kept), "--shop", "volume", "--quiet", "--html", str(two)]
    )
    assert run.exit_code == 20, run.output
    assert one.read_bytes() == two.read_bytes()
    assert 'id="outline-0"' in two.read_text(encoding="utf-8")
