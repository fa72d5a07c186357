"""The HTML report of the planted sample board, in a real browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dfmcheck import screen as orchestrator
from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Judgement, Source
from dfmcheck.measure.rule import rules
from dfmcheck.report.html import to_html
from tests.report.browser import Report, browser, opened

SAMPLE = Path(__file__).parents[2] / "sample_boards" / "tide-logger-planted"
SHOP = load_shop("volume")


@pytest.fixture(scope="module")
def judgement() -> Judgement:
    screening = orchestrator.screen(SAMPLE, workers=1, reach=SHOP.limit_reach(), drawing=True)
    return judge(screening, SHOP, rules=rules())


@pytest.fixture(scope="module")
def file(judgement: Judgement, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(to_html(judgement, SHOP, rules()), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def started() -> Iterator[Any]:
    with browser() as one:
        yield one


@pytest.fixture()
def report(started: Any, file: Path) -> Iterator[Report]:
    report = opened(started, file)
    report.drawn()
    yield report
    assert report.told == []
    assert [url for url in report.asked if not url.startswith(("file:", "blob:", "data:"))] == []
    report.page.context.close()


def test_verdict_and_its_meaning_stand_first(report: Report, judgement: Judgement) -> None:
    first = report.page.locator("main > section").first
    assert first.locator("h1").inner_text().strip() == "Hold"
    assert "cannot be built, or cannot be trusted" in first.inner_text()
    assert report.page.locator("#list > li").count() == min(80, len(judgement.findings))


def test_filters_leave_what_they_say(report: Report, judgement: Judgement) -> None:
    page = report.page
    page.select_option("[name=rule]", "etch.conductor-spacing")
    page.select_option("[name=layer]", "conductor-1")
    page.select_option("[name=severity]", "hold")
    wanted = [
        f
        for f in judgement.findings
        if (f.rule, f.layer, f.severity) == ("etch.conductor-spacing", "conductor-1", "hold")
    ]
    assert page.locator("#list > li").count() == len(wanted) > 0
    page.click("#filters button[type=reset]")
    page.fill("[name=net]", "mosi")
    with_net = [f for f in judgement.findings if any("MOSI" in net for net in f.nets)]
    assert page.locator("#list > li").count() == len(with_net) > 0
    page.fill("[name=net]", "")
    page.select_option("[name=tier]", "advanced")
    kept_out = [f for f in judgement.findings if f.tier == "advanced"]
    assert page.locator("#list > li").count() == len(kept_out) < len(judgement.findings)


def test_a_chosen_finding_is_flown_to_on_its_layer(report: Report, judgement: Judgement) -> None:
    page = report.page
    page.select_option("[name=rule]", "drill.hole-to-copper")
    page.select_option("[name=layer]", "conductor-2")
    page.locator("#list button").first.click()
    report.rest()
    chosen = next(
        f
        for f in judgement.findings
        if f.rule == "drill.hole-to-copper" and f.layer == "conductor-2"
    )
    checked = page.locator("#stack input:checked")
    assert [box.get_attribute("name") for box in checked.all()] == ["conductor-2"]
    assert chosen.line is not None
    x0, y0, x1, y1 = chosen.line
    assert report.middle() == pytest.approx(((x0 + x1) / 2, (y0 + y1) / 2), abs=0.01)
    told = page.locator("#chosen").inner_text()
    assert chosen.fingerprint not in told  # folded away with the rest
    assert chosen.remedy.rstrip(".") in told and chosen.sources[0].file in told
    flagged = _pixels(page, (179, 18, 63))  # --flag, light
    assert flagged > 100  # features, ring and measured line are drawn


def test_what_is_told_of_a_finding_far_down_the_list_is_in_sight(report: Report) -> None:
    page = report.page
    last = page.locator("#list button").last
    last.click()
    report.rest()
    for _ in range(2):  # and for the one chosen by keyboard after it
        column, told = page.locator(".side").bounding_box(), page.locator("#chosen").bounding_box()
        row = page.locator("#list button[aria-current]").bounding_box()
        assert column["y"] - 4 <= told["y"] < column["y"] + 20
        assert row["y"] >= told["y"] + told["height"] - 1  # the row does not hide beneath it
        assert row["y"] + row["height"] <= column["y"] + column["height"] + 1
        page.keyboard.press("k")
    assert page.evaluate("document.activeElement.getAttribute('aria-current')") == "true"


def test_on_a_telephone_it_is_told_right_below_the_drawing(started: Any, file: Path) -> None:
    report = opened(started, file, viewport={"width": 400, "height": 800}, reduced_motion="reduce")
    report.drawn()
    page = report.page
    page.locator("#list button").nth(15).click()
    report.rest()
    frame, told, layers, listed = (
        page.locator(one).bounding_box()["y"] for one in (".frame", "#chosen", ".stack", "#list")
    )
    assert frame < told < layers < listed
    assert 0 < frame < 400  # the drawing came into sight
    page.context.close()


def test_a_finding_about_a_file_shows_its_layer(
    started: Any, judgement: Judgement, tmp_path: Path
) -> None:
    base = judgement.findings[0]
    legend = next(f for f in judgement.screening.files if f.role == "legend-top")
    about = replace(
        base, rule="data.illegal-construct", layer="", nets=(), message="word " * 40,
        sources=(Source(legend.name, 7),), measured=None, limit=None,
    )  # fmt: skip
    path = tmp_path / "about.html"
    path.write_text(to_html(replace(judgement, findings=(about,)), SHOP, rules()), "utf-8")
    report = opened(started, path)
    report.drawn()
    row = report.page.locator("#list button")
    assert re.search(r"word word …$", row.locator(".value").inner_text())  # cut between words
    row.click()
    report.rest()
    shown = {box.get_attribute("name") for box in report.page.locator("#stack input:checked").all()}
    assert "legend-top" in shown
    report.page.context.close()


def _pixels(page: Any, colour: tuple[int, int, int]) -> int:
    """Pixels of the sheet within a little of a colour."""
    return int(
        page.evaluate(
            """([r, g, b]) => {
            const sheet = document.getElementById('sheet');
            const copy = new OffscreenCanvas(sheet.width, sheet.height).getContext('2d');
            copy.drawImage(sheet, 0, 0);
            const d = copy.getImageData(0, 0, sheet.width, sheet.height).data;
            let n = 0;
            for (let i = 0; i < d.length; i += 4)
              n += Math.abs(d[i] - r) + Math.abs(d[i + 1] - g) + Math.abs(d[i + 2] - b) < 24;
            return n;
        }""",
            list(colour),
        )
    )


@pytest.mark.parametrize("below", [False, True])
def test_a_known_distance_is_measured(report: Report, judgement: Judgement, below: bool) -> None:
    drawing = judgement.screening.drawing
    assert drawing is not None
    posts = drawing.holes[np.isclose(drawing.holes[:, 4], 1.6)]
    (ax, ay), (bx, by) = posts[0, :2].tolist(), posts[-1, :2].tolist()
    if below:
        report.page.click("#flip")
        report.rest()
    report.page.click("#measure")
    for x, y in ((ax, ay), (bx, by)):
        report.click(x + 0.1, y - 0.1)  # it catches on the hole's centre
    told = report.page.locator("#measured").inner_text()
    found = re.search(r"Distance (\d+\.\d+) mm", told)
    assert found, told
    assert float(found[1]) == pytest.approx(float(np.hypot(bx - ax, by - ay)), abs=0.0011)


def test_flipping_mirrors_and_layers_switch(report: Report) -> None:
    left, _ = report.under(150, 200)
    right, _ = report.under(350, 200)
    assert left < right
    report.page.click("#flip")
    report.rest()
    assert report.under(150, 200)[0] > report.under(350, 200)[0]
    board = (223, 230, 218)  # --board, light
    with_copper = _pixels(report.page, board)
    for box in report.page.locator("#stack input").all():
        box.uncheck()
    report.rest()
    bare = _pixels(report.page, board)
    assert bare > with_copper
    report.page.check("#stack input[name=conductor-2]")  # nearly all copper
    report.rest()
    assert _pixels(report.page, board) < bare / 2
    assert report.page.locator("#stack label.focal").get_attribute("data-layer") == "conductor-2"


def test_everything_by_keyboard(report: Report, judgement: Judgement) -> None:
    page = report.page
    page.focus("#sheet")
    before = report.middle()
    page.keyboard.press("ArrowRight")
    report.rest()
    assert report.middle()[0] > before[0]
    page.focus("#sheet")
    page.keyboard.press("j")
    report.rest()
    assert page.locator("#list [aria-current=true]").count() == 1
    first = page.locator("#chosen h3").inner_text()
    page.keyboard.press("j")
    page.keyboard.press("k")
    assert page.locator("#chosen h3").inner_text() == first
    page.keyboard.press("m")
    page.keyboard.press("Enter")
    for _ in range(3):
        page.keyboard.press("ArrowUp")
    page.keyboard.press("Enter")
    assert "Distance" in page.locator("#measured").inner_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1360, 390])
def test_no_serious_accessibility_fault(started: Any, file: Path, scheme: str, width: int) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    report = opened(
        started, file, color_scheme=scheme, viewport={"width": width, "height": 844},
        bypass_csp=True,
    )  # fmt: skip
    report.drawn()
    report.page.locator("#list button").first.click()
    report.rest()
    found = axe.Axe().run(report.page).response["violations"]
    grave = [
        (fault["id"], node["target"], node.get("failureSummary"))
        for fault in found
        if fault["impact"] in ("serious", "critical")
        for node in fault["nodes"]
    ]
    assert grave == []
    page_width = report.page.evaluate("document.documentElement.scrollWidth")
    assert page_width <= width  # nothing hangs out of a phone
    report.page.context.close()


def test_paper_shows_findings_with_pictures(report: Report, tmp_path: Path) -> None:
    report.page.pdf(path=str(tmp_path / "report.pdf"))
    pictures = report.page.locator("#printed img")
    assert pictures.count() >= 10
    sizes = pictures.evaluate_all("all => all.map(one => one.naturalWidth)")
    assert min(sizes) > 100


def test_hostile_names_stay_text(started: Any, judgement: Judgement, tmp_path: Path) -> None:
    bad = "</script><script>alert(1)</script><img src=x onerror=alert(2)>"
    findings = tuple(
        replace(f, nets=(bad,), message=f"{bad} {f.message}", sources=(Source(bad, 1, 2),))
        for f in judgement.findings[:3]
    )
    screening = replace(
        judgement.screening,
        package=bad,
        files=tuple(replace(f, name=bad) for f in judgement.screening.files),
    )
    hostile = replace(judgement, screening=screening, findings=findings, reasons=(bad,))
    path = tmp_path / "hostile.html"
    path.write_text(to_html(hostile, SHOP, rules()), encoding="utf-8")
    assert bad not in path.read_text(encoding="utf-8")
    report = opened(started, path)
    report.drawn()
    report.page.locator("#list button").first.click()
    report.rest()
    assert bad in report.page.locator("#chosen").inner_text()
    assert bad in report.page.locator(".job-name").inner_text()
    assert report.page.locator("img").count() == 0
    assert report.told == []
    report.page.context.close()


def test_the_policy_stops_a_script_that_is_not_ours(
    started: Any, file: Path, tmp_path: Path
) -> None:
    text = file.read_text(encoding="utf-8")
    path = tmp_path / "changed.html"
    path.write_text(text.replace("</main>", "<script>alert(1)</script></main>"), encoding="utf-8")
    report = opened(started, path)
    report.drawn()
    assert not any("dialog" in told for told in report.told)
    assert any("Content Security Policy" in told for told in report.told)
    report.page.context.close()


def test_without_a_drawing_the_findings_remain(
    started: Any, judgement: Judgement, tmp_path: Path
) -> None:
    bare = replace(judgement, screening=replace(judgement.screening, drawing=None))
    path = tmp_path / "bare.html"
    path.write_text(to_html(bare, SHOP, rules()), encoding="utf-8")
    report = opened(started, path)
    report.page.locator("#list button").first.click()
    assert "not drawn here" in report.page.locator("#board").inner_text()
    assert report.page.locator("#chosen").is_visible()
    assert report.told == []
    report.page.context.close()


def test_without_scripts_all_is_read(started: Any, file: Path, judgement: Judgement) -> None:
    report = opened(started, file, java_script_enabled=False)
    assert report.page.locator("#printed li").count() == len(judgement.findings)
    assert report.page.locator("#printed").is_visible()
    assert report.page.locator("noscript p").count() == 1
    report.page.context.close()


def test_the_same_judgement_gives_the_same_page(judgement: Judgement, file: Path) -> None:
    assert to_html(judgement, SHOP, rules()) == file.read_text(encoding="utf-8")
