"""Writes the pictures of the HTML report in docs/images: python docs/make_screenshots.py

Needs the developers' extras and Chromium on the path (Debian: apt-get install chromium).
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from dfmcheck import screen as orchestrator
from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.measure.rule import rules
from dfmcheck.report.html import to_html

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_boards" / "tide-logger-planted"
IMAGES = ROOT / "docs" / "images"
DESK, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
FINDING = {"rule": "etch.conductor-spacing", "layer": "conductor-1"}


def take(browser: Browser, page_file: Path, name: str, size: dict[str, int], dark: bool) -> None:
    """The head of the page, then a chosen finding."""
    context = browser.new_context(
        viewport=size, color_scheme="dark" if dark else "light", reduced_motion="reduce"
    )
    page = context.new_page()
    page.goto(page_file.as_uri())
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    page.wait_for_timeout(500)
    page.screenshot(path=IMAGES / f"report-{name}-verdict.png")
    for field, value in FINDING.items():
        page.select_option(f"[name={field}]", value)
    page.locator("#list button").first.click()
    page.locator("#board").evaluate("one => one.scrollIntoView()")
    page.wait_for_timeout(800)
    page.screenshot(path=IMAGES / f"report-{name}-finding.png")
    context.close()


def main() -> int:
    chromium = shutil.which("chromium")
    if chromium is None:
        print("chromium is not on the path; install it first", file=sys.stderr)
        return 1
    shop = load_shop("volume")
    screening = orchestrator.screen(SAMPLE, reach=shop.limit_reach(), drawing=True)
    text = to_html(judge(screening, shop, rules=rules()), shop, rules())
    IMAGES.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        page_file = Path(folder) / "report.html"
        page_file.write_text(text, encoding="utf-8")
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        take(browser, page_file, "desktop", DESK, dark=False)
        take(browser, page_file, "dark", DESK, dark=True)
        take(browser, page_file, "phone", PHONE, dark=False)
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
