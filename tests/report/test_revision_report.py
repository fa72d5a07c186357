"""The comparison of two revisions as JSON, HTML and on the terminal."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import made_up
import numpy as np
import pytest
import shapely
from jsonschema import Draft202012Validator
from rich.console import Console

from dfmcheck.judge.finding import Judgement
from dfmcheck.judge.revision import Revision, compare_revisions
from dfmcheck.measure.drawing import Drawing, reduced
from dfmcheck.report.revision_html import to_html
from dfmcheck.report.revision_json import dumps, schema, to_json
from dfmcheck.report.terminal_revision import render_revision


def drawn(*shapes: Any, holes: Any = ()) -> Drawing:
    layers = (
        reduced("conductor-1", np.array(shapes, dtype=object), (0, 0), 0.004),
        reduced("profile", np.array([shapely.box(0, 0, 80, 50)]), (0, 0), 0.004),
    )
    table = np.array(holes, dtype=np.float32).reshape(-1, 7)
    return Drawing(layers, table, np.empty((0, 4), np.float32))


def side(drawing: Drawing | None, **more: Any) -> Judgement:
    made = made_up.judgement()
    return replace(made, screening=replace(made.screening, drawing=drawing), **more)


@pytest.fixture
def revision() -> Revision:
    made = made_up.judgement()
    worse = replace(made.findings[3], measured=0.05, raw=0.05)
    fresh = made_up.finding(x=70.0, fingerprint="ab01", nets=("<i>A</i>", "B"),
                            line=(70.0, 1.0, 70.1, 1.0), message="Gap to <i>A</i>")  # fmt: skip
    now = (*made.findings[:3], worse, *made.findings[5:], fresh)
    old = drawn(shapely.box(0, 0, 10, 10), holes=[(5, 5, 5, 5, 0.2, 1, 0), (8, 5, 8, 5, 0.2, 1, 0)])
    new = drawn(
        shapely.box(0, 0, 10, 11), shapely.box(20, 20, 20.1, 20.1),
        holes=[(5, 5, 5, 5, 0.3, 1, 0), (8, 5, 8, 5, 0.2, 1, 0)],
    )  # fmt: skip
    return compare_revisions(side(old), side(new, findings=now), made_up.RULES)


def test_json_holds_to_its_schema_and_says_what_changed(revision: Revision) -> None:
    Draft202012Validator.check_schema(schema())
    for made in (revision, replace(revision, layers=None, holes=(), agreed=None)):
        problems = list(Draft202012Validator(schema()).iter_errors(json.loads(dumps(made))))
        assert problems == []
    told = to_json(revision)
    assert told["counts"] == {
        "new": 1, "worse": 1, "moved": 0, "better": 0, "gone": 1,
        "same": len(revision.old.findings) - 2,
    }  # fmt: skip
    (layer,) = told["artwork"]["layers"]
    assert layer["added"]["areas"] == 2
    assert layer["added"]["area_mm2"] == pytest.approx(10.01, abs=0.01)
    assert [hole["state"] for hole in told["artwork"]["holes"]] == ["resized"]


def test_every_key_of_the_schema_is_described() -> None:
    def walk(node: Any, path: str) -> None:
        if isinstance(node, dict):
            for name, child in node.get("properties", {}).items():
                if "const" not in child and "$ref" not in child:
                    assert child.get("description"), f"{path}/{name}"
                walk(child, f"{path}/{name}")
            for key in ("items", "$defs"):
                child = node.get(key)
                for name, one in (child or {}).items() if key == "$defs" else ((key, child),):
                    walk(one, f"{path}/{name}")

    walk(schema(), "")


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag != "meta":
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_html_is_whole_small_and_takes_no_markup_from_the_data(revision: Revision) -> None:
    text = to_html(revision)
    tags = _Tags()
    tags.feed(text)
    assert tags.open == [] and len(text) < 60_000
    assert "i" not in {tag for tag, _ in tags.seen} and "&lt;i&gt;A" in text
    anchors = {attrs["href"] for tag, attrs in tags.seen if tag == "a"}
    assert anchors <= {"#" + str(attrs["id"]) for _, attrs in tags.seen if attrs.get("id")}
    paths = {attrs["class"]: attrs["d"] for tag, attrs in tags.seen if tag == "path"}
    assert str(paths["added"]).count("M") == 2 and str(paths["board"]).count("M") == 1
    assert sum(tag == "circle" for tag, _ in tags.seen) == 1  # the speck is ringed


def render(revision: Revision, **more: Any) -> str:
    stream = io.StringIO()
    render_revision(revision, Console(file=stream, width=100, highlight=False), **more)
    return stream.getvalue()


def test_the_terminal_tells_the_same(revision: Revision) -> None:
    text = render(revision)
    assert "0.071 mm before" in text and "Ø 0.400 to Ø 0.600 mm" in text
    assert text.index("── new") < text.index("── worse") < text.index("── gone")
    assert "── same" not in text and "── same" in render(revision, limit=None)
    assert "not compared" in render(replace(revision, layers=None))


def test_one_revision_against_itself_has_no_change() -> None:
    made = side(drawn(shapely.box(0, 0, 10, 10)))
    text = render(compare_revisions(made, made, made_up.RULES))
    assert "no change in any layer, hole or the profile" in text
