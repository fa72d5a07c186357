"""The HTML report of a real 14-layer board: size, first paint, and still of use."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest

from dfmcheck import screen as orchestrator
from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.measure.rule import rules
from dfmcheck.report.html import to_html
from tests.report.browser import browser, opened


def test_a_million_edges_open_at_once_and_lead_to_a_finding(boards: Path, tmp_path: Path) -> None:
    shop = load_shop("volume")
    with browser() as started:
        screening = orchestrator.screen(
            boards / "radio-14-layer", reach=shop.limit_reach(), drawing=True
        )
        assert screening.drawing is not None
        assert sum(len(layer.xy) for layer in screening.drawing.layers) > 1_000_000
        judgement = judge(screening, shop, rules=rules())
        path = tmp_path / "radio.html"
        path.write_text(to_html(judgement, shop, rules()), encoding="utf-8")
        assert path.stat().st_size < 15_000_000
        report = opened(started, path)
        paint = "performance.getEntriesByName('first-contentful-paint').map(e => e.startTime)"
        deadline = time.monotonic() + 10
        while not (painted := report.page.evaluate(paint)) and time.monotonic() < deadline:
            report.page.wait_for_timeout(50)
        assert painted and painted[0] < 5000  # ms, on a busy machine
        report.drawn()
        page = report.page
        inner = next(
            f
            for f in judgement.findings
            if f.line is not None and re.fullmatch(r"conductor-([2-9]|1[0-3])", f.layer)
        )
        page.select_option("[name=rule]", inner.rule)
        page.select_option("[name=layer]", inner.layer)
        page.locator("#list button").first.click()
        report.rest()
        chosen = next(
            f for f in judgement.findings if f.rule == inner.rule and inner.layer in f.every_layer
        )
        assert page.locator("#stack input:checked").get_attribute("name") == chosen.layer
        assert chosen.line is not None
        x0, y0, x1, y1 = chosen.line
        assert report.middle() == pytest.approx(((x0 + x1) / 2, (y0 + y1) / 2), abs=0.01)
        # With every layer shown, a step of a moving hand costs a fraction of a full picture;
        # both are timed under the same load.
        for layer in page.locator("#stack input:enabled").all():
            layer.check()
        page.focus("#sheet")
        page.keyboard.press("0")
        report.rest()
        drawn = page.locator("html").get_attribute("data-drawn")
        start = time.monotonic()
        page.keyboard.press("+")
        page.wait_for_selector(f"html:not([data-drawn='{drawn}'])", state="attached")
        full = time.monotonic() - start
        report.rest()
        box = page.locator("#sheet").bounding_box()
        page.mouse.move(box["x"] + 300, box["y"] + 300)
        page.mouse.down()
        start = time.monotonic()
        page.mouse.move(box["x"] + 420, box["y"] + 360, steps=40)
        step = (time.monotonic() - start) / 40
        page.mouse.up()
        assert step < full / 3, (step, full)
        assert report.told == []
        page.context.close()
