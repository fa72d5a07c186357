"""A real browser for the HTML report's tests: Debian's Chromium, driven by Playwright."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

PATIENCE_MS = 120_000  # a wait on a loaded machine; a page that works answers within a second


@contextmanager
def browser() -> Iterator[Any]:
    """Chromium, or a skip that says what is missing."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    found = shutil.which("chromium")
    if found is None:
        pytest.skip("no chromium on the path (Debian: apt-get install chromium)")
    with sync_api.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield started
        started.close()


@dataclass
class Report:
    """An opened report; ``told`` holds all that the console said, ``asked`` every request."""

    page: Any
    told: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def drawn(self) -> None:
        self.page.wait_for_selector("html[data-ready=yes]", state="attached")

    def rest(self) -> None:
        """Wait until the drawing has stood still for a while."""
        before = ""
        for _ in range(100):
            self.page.wait_for_timeout(200)
            now = self.page.locator("html").get_attribute("data-drawn") or ""
            if now and now == before:
                return
            before = now
        raise AssertionError("the drawing never comes to rest")

    def under(self, px: float, py: float) -> tuple[float, float]:
        """Move the pointer over the sheet and read the coordinates told, mm."""
        self.page.locator("#sheet").scroll_into_view_if_needed()
        box = self.page.locator("#sheet").bounding_box()
        self.page.mouse.move(box["x"] + px, box["y"] + py)
        text = self.page.locator("#where").inner_text()
        x, y = re.findall(r"[xy] (-?\d+\.\d+)", text)[:2]
        return float(x), float(y)

    def middle(self) -> tuple[float, float]:
        box = self.page.locator("#sheet").bounding_box()
        return self.under(box["width"] / 2, box["height"] / 2)

    def click(self, x: float, y: float) -> None:
        """Click the place at x, y mm, found through the coordinates the page tells."""
        ax, ay = self.under(100, 100)
        bx, by = self.under(300, 250)
        px = 100 + (x - ax) / (bx - ax) * 200
        py = 100 + (y - ay) / (by - ay) * 150
        box = self.page.locator("#sheet").bounding_box()
        self.page.mouse.click(box["x"] + px, box["y"] + py)


def opened(started: Any, file: Path, **context: Any) -> Report:
    """Open a report file with a fresh browser profile."""
    page = started.new_context(**{"viewport": {"width": 1360, "height": 900}, **context}).new_page()
    page.set_default_timeout(PATIENCE_MS)
    report = Report(page)
    page.on("console", lambda message: report.told.append(message.text))
    page.on("pageerror", lambda error: report.told.append(str(error)))
    page.on("dialog", lambda dialog: report.told.append(f"dialog {dialog.message}"))
    page.on("request", lambda request: report.asked.append(request.url))
    page.goto(file.as_uri())
    return report
