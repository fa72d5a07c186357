"""The engineering query: what is asked, what is not, and that nothing in it is lost or live."""

from __future__ import annotations

import datetime
import io
import re
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import made_up
import numpy as np
import pytest
import shapely

from dfmcheck.capability import HoleAllowance, Shop
from dfmcheck.errors import UsageError
from dfmcheck.judge.finding import Judgement, Waiver
from dfmcheck.measure.drawing import Drawing, reduced
from dfmcheck.report.letter import Letter, compose
from dfmcheck.report.letter.render import save_shots, to_html, to_markdown

DAY = datetime.date(2026, 11, 25)
SHOP = Shop(
    name="copperline", title="Copperline (invented)", tiers=("standard", "fine", "extra-fine"),
    default_tier="standard", allowance=HoleAllowance(), limits={},
)  # fmt: skip
NASTY = ("<b>GND</b>", "USB_D+|*x*", "接地", "=A1`")


def drawn() -> Drawing:
    shapes = np.array([shapely.box(0, 0, 23.41, 60), shapely.box(23.5, 0, 90, 60)], dtype=object)
    return Drawing(
        (reduced("conductor-1", shapes, (0, 0), 0.004),),
        np.empty((0, 7), np.float32), np.empty((0, 4), np.float32),
    )  # fmt: skip


def judgement(**more: Any) -> Judgement:
    made = made_up.judgement()
    return replace(made, screening=replace(made.screening, drawing=drawn()), **more)


def letter(made: Judgement | None = None, **more: Any) -> Letter:
    return compose(made or judgement(), SHOP, made_up.RULES, date=DAY, **more)


def test_questions_are_few_and_cover_every_finding_the_customer_decides() -> None:
    made = judgement()
    text = letter(made)
    asked = [f for f in made.findings if f.who == "ask" and f.severity != "note"]
    assert len(text.questions) == len({(f.rule, f.severity) for f in asked}) < len(asked) / 2
    assert [q.number for q in text.questions] == list(range(1, len(text.questions) + 1))
    for question in text.questions:
        mine = [f for f in asked if (f.rule, f.severity) == (question.rule, question.severity)]
        if question.rows:
            total = sum(row.count for row in question.rows) + question.more
            assert total == sum(f.count for f in mine)
    holds = [q.severity for q in text.questions]
    assert holds == sorted(holds, key=lambda s: s != "hold") and text.held


def test_a_question_says_where_how_much_and_what_happens() -> None:
    query = next(q for q in letter().questions if q.rule == "drill.aspect-ratio")
    assert "9.10" in query.asks and "at most 8.00" in query.asks and "fine would take" in query.asks
    assert query.silence == "We build it as drawn, in tier standard, at your risk."
    assert query.answers == (
        "Changed as proposed; new data follows.", "Build it in tier fine.",
        "Build it as drawn, at our risk.", "Other:",
    )  # fmt: skip
    spacing = next(q for q in letter().questions if q.rule == "etch.conductor-spacing")
    assert (spacing.rows[0].mm, spacing.rows[0].inch) == ("23.412, 10.002", "0.9217, 0.3938")
    assert spacing.rows[0].nets == "GND | +3V3"
    assert spacing.silence == "The job stays on hold; nothing is built."
    assert not any("as drawn" in answer for answer in spacing.answers)


def test_what_may_touch_safety_is_never_built_without_an_answer() -> None:
    queries = [q for q in letter().questions if q.caution and q.severity == "query"]
    assert queries and all("waits" in q.silence for q in queries)


def test_what_the_shop_corrects_or_somebody_waived_is_told_and_not_asked() -> None:
    made = judgement()
    waiver = Waiver("dd01", "drill.aspect-ratio", "Agreed by mail", "M. Okafor", DAY)
    findings = tuple(
        replace(f, severity="query") if f.fingerprint == "dd02"
        else replace(f, waived=waiver) if f.fingerprint == "dd01" else f
        for f in made.findings
    )  # fmt: skip
    text = letter(replace(made, findings=findings))
    rules = {q.rule for q in text.questions}
    assert "plate.annular-ring" not in rules and "drill.aspect-ratio" not in rules
    assert len(text.corrections) == 1 and "1 place on conductor-1" in text.corrections[0]
    assert any("Accepted by M. Okafor (Agreed by mail)" in note for note in text.notes)
    assert any("the file could not be read" in note for note in text.notes)


def test_a_clean_board_gets_a_letter_without_questions() -> None:
    text = letter(made_up.clean())
    assert text.questions == () and not text.held
    for shown in (to_markdown(text), to_html(text)):
        assert "no question" in shown and "Answered by" not in shown


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_html_is_whole_needs_nothing_else_and_takes_no_markup_from_the_data() -> None:
    made = judgement(findings=(made_up.finding(nets=NASTY, layer="conductor-1"),))
    text = to_html(letter(made, to="Ola <Nwosu> & Sons", reference="PO-1"))
    tags = _Tags()
    tags.feed(text)
    assert tags.open == []
    assert "b" not in [tag for tag, _ in tags.tags if tag == "b"]
    assert "&lt;b&gt;GND" in text and "Ola &lt;Nwosu&gt; &amp; Sons" in text
    sources = [attrs.get("src") or attrs.get("href") or "" for _, attrs in tags.tags]
    assert all(source == "" or source.startswith("data:image/png") for source in sources)
    assert any(source for source in sources)


def test_markdown_keeps_the_table_whole_and_names_its_pictures(tmp_path: Any) -> None:
    made = judgement(findings=(made_up.finding(nets=NASTY),))
    text = letter(made)
    shown = to_markdown(text, "my-pictures")
    row = next(line for line in shown.splitlines() if line.startswith("| conductor"))
    assert len(re.findall(r"(?<!\\)\|", row)) == 8
    assert "\\<b\\>GND" in row and "接地" in row
    save_shots(text, tmp_path / "my-pictures")
    for name in re.findall(r"\]\((my-pictures/[^)]+)\)", shown):
        assert (tmp_path / name).read_bytes().startswith(b"\x89PNG")
    assert "my-pictures/" in shown and "![" not in to_markdown(text)


def test_without_a_drawing_the_letter_has_no_pictures() -> None:
    text = letter(made_up.judgement())
    assert not text.pictured and not any(q.shots for q in text.questions)


def test_pdf_has_all_questions_names_and_signs() -> None:
    pytest.importorskip("fpdf")
    pdfium = pytest.importorskip("pypdfium2")
    from dfmcheck.report.letter.pdf import to_pdf

    made = judgement()
    odd = made_up.finding(nets=("µP_Ω", "接地"), fingerprint="ff01")
    text = letter(replace(made, findings=(odd, *made.findings)), until=DAY, sender="Planning")
    content = to_pdf(text)
    assert content == to_pdf(text)
    document = pdfium.PdfDocument(io.BytesIO(content))
    pages = [page.get_textpage().get_text_bounded() for page in document]
    whole = re.sub(r"\s+", " ", " ".join(pages))
    for question in text.questions:
        assert f"{question.number}. {question.title}" in whole
        assert question.silence in whole
    assert "Please answer by 2026-11-25" in whole
    assert f"page 1 of {len(document)}" in whole
    rows = " ".join(row.nets for q in text.questions for row in q.rows)
    assert "µP_Ω" in rows  # among the places listed
    assert "µP_Ω" in whole and "<U+63A5>" in whole.replace(" ", "")


def test_pdf_without_its_library_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    from dfmcheck.report.letter.pdf import to_pdf

    monkeypatch.setitem(sys.modules, "fpdf", None)
    with pytest.raises(UsageError, match=r"pip install 'dfmcheck\[pdf\]'"):
        to_pdf(letter(made_up.clean()))
