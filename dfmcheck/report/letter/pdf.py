"""The letter as PDF, with fpdf2 (the extra ``dfmcheck[pdf]``)."""

from __future__ import annotations

import datetime
import io
import logging
from typing import TYPE_CHECKING, Any

from dfmcheck.errors import UsageError
from dfmcheck.report.fonts import BOLD, REGULAR, printable
from dfmcheck.report.letter.questions import Letter, Question

if TYPE_CHECKING:
    from fpdf import FPDF

_FACE = "dejavu"
_INK, _QUIET, _RULE = (38, 38, 38), (105, 105, 105), (216, 212, 202)
_MARKS = {"hold": (179, 71, 0), "query": (138, 97, 0)}
_MARGIN = 18.0  # mm, as all lengths here
_COLUMNS = (
    ("layer", 27), ("x, y mm", 31), ("x, y inch", 31), ("nets", 37), ("measured", 18),
    ("required", 18), ("places", 12),
)  # fmt: skip


def to_pdf(letter: Letter) -> bytes:
    """The letter on A4 pages. The same letter always gives the same bytes.

    Raises
    ------
    UsageError
        fpdf2 is not installed.
    """
    try:
        from fpdf import FPDF
    except ImportError as error:
        raise UsageError(
            "PDF needs the package fpdf2, which is not installed", "fpdf2",
            "Install it with `pip install 'dfmcheck[pdf]'`, or write --html and print that.",
        ) from error  # fmt: skip
    logging.getLogger("fontTools").setLevel(logging.ERROR)  # it tells of every table it leaves out

    class Page(FPDF):
        def footer(self) -> None:
            self.set_y(-12)
            self.set_font(_FACE, size=7.5)
            self.set_text_color(*_QUIET)
            told = printable(f"{letter.package}  ·  {letter.date}  ·  page {self.page_no()}")
            self.cell(0, 5, f"{told} of {{nb}}", align="C")

    pdf = Page(format="A4")
    day = letter.date
    pdf.set_creation_date(datetime.datetime(day.year, day.month, day.day, tzinfo=datetime.UTC))
    pdf.set_title(printable(f"Engineering query: {letter.package}"))
    pdf.set_lang("en")
    pdf.set_margin(_MARGIN)
    pdf.set_auto_page_break(True, margin=18)
    pdf.add_font(_FACE, "", str(REGULAR))
    pdf.add_font(_FACE, "B", str(BOLD))
    pdf.add_page()
    _head(pdf, letter)
    for question in letter.questions:
        _question(pdf, question)
    for title, lines in (
        ("We will correct, unless you object", letter.corrections),
        ("For your information", letter.notes),
    ):
        if lines:
            _rule(pdf)
            _text(pdf, title, 11, bold=True)
            for line in lines:
                _bullet(pdf, line)
    _foot(pdf, letter)
    return bytes(pdf.output())


def _text(
    pdf: FPDF, text: str, size: float = 9.5, *, bold: bool = False, colour: Any = _INK,
    after: float = 1.5,
) -> None:  # fmt: skip
    pdf.set_font(_FACE, "B" if bold else "", size)
    pdf.set_text_color(*colour)
    pdf.multi_cell(0, size * 0.5, printable(text), align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.ln(after)


def _rule(pdf: FPDF) -> None:
    pdf.ln(3)
    if pdf.will_page_break(30):
        pdf.add_page()
    pdf.set_draw_color(*_INK)
    pdf.set_line_width(0.4)
    pdf.line(pdf.l_margin, pdf.get_y(), pdf.w - pdf.r_margin, pdf.get_y())
    pdf.ln(3)


def _head(pdf: FPDF, letter: Letter) -> None:
    reference = f"  ·  reference {letter.reference}" if letter.reference else ""
    _text(pdf, f"{letter.shop}  ·  {letter.date}{reference}", 8.5, colour=_QUIET)
    _text(pdf, f"Engineering query: {letter.package}", 15, bold=True, after=2)
    if letter.to:
        _text(pdf, f"To {letter.to}")
    _text(
        pdf,
        f"Board: {letter.board}; judged for tier {letter.tier}. Coordinates are counted from the "
        "lower left corner of the board as sent.",
    )
    if not letter.questions:
        _text(pdf, "We have no question on this data.")
        return
    n = len(letter.questions)
    told = (
        "We have looked through your data and need your decision on "
        f"{n} question{'' if n == 1 else 's'}."
    )
    if letter.held:
        told += " The job is on hold until those marked hold are answered."
    if letter.until:
        told += f" Please answer by {letter.until}."
    _text(pdf, told)


def _question(pdf: FPDF, question: Question) -> None:
    # a title never stands alone at the foot of a page, nor away from its pictures
    if pdf.will_page_break(95 if question.shots else 45):
        pdf.add_page()
    _rule(pdf)
    title = f"{question.number}. {question.title}"
    _text(pdf, f"{title}  ({question.severity})", 11, bold=True, colour=_MARKS[question.severity])
    _text(pdf, question.asks)
    if question.why:
        _text(pdf, f"Why we ask: {question.why}", 8.5, colour=_QUIET)
    for line in question.said:
        _bullet(pdf, line)
    _shots(pdf, question)
    _places(pdf, question)
    for label, text in (
        ("What we propose", question.propose),
        ("If no answer comes", question.silence),
        ("Caution", question.caution),
    ):
        if text:
            _labelled(pdf, label, text)
    pdf.ln(1)
    for n, answer in enumerate(question.answers):
        if pdf.will_page_break(7):
            pdf.add_page()
        x, y = pdf.l_margin, pdf.get_y()
        pdf.set_draw_color(*_INK)
        pdf.set_line_width(0.3)
        pdf.rect(x, y + 0.6, 3.2, 3.2)
        pdf.set_xy(x + 6, y)
        pdf.set_font(_FACE, size=9.5)
        pdf.set_text_color(*_INK)
        pdf.cell(0, 4.6, printable(answer))
        if n == len(question.answers) - 1:
            start = x + 8 + pdf.get_string_width(answer)
            pdf.line(start, y + 4.4, start + 90, y + 4.4)
        pdf.set_xy(pdf.l_margin, y + 5.8)


def _bullet(pdf: FPDF, text: str) -> None:
    pdf.set_font(_FACE, size=9)
    pdf.set_text_color(*_INK)
    pdf.cell(5, 4.5, "–")
    pdf.multi_cell(0, 4.5, printable(text), align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.ln(0.8)


def _labelled(pdf: FPDF, label: str, text: str) -> None:
    pdf.set_font(_FACE, "B", 9)
    pdf.set_text_color(*_INK)
    if pdf.will_page_break(10):
        pdf.add_page()
    pdf.cell(38, 4.6, label)
    pdf.set_font(_FACE, size=9)
    left = pdf.get_x()
    pdf.multi_cell(pdf.w - pdf.r_margin - left, 4.6, printable(text), align="L",
                   new_x="LMARGIN", new_y="NEXT")  # fmt: skip
    pdf.ln(0.8)


def _shots(pdf: FPDF, question: Question) -> None:
    if not question.shots:
        return
    width = (pdf.w - pdf.l_margin - pdf.r_margin - 6) / 2
    height = width * 372 / 480
    if pdf.will_page_break(height + 3):
        pdf.add_page()
    pdf.ln(1)
    top = pdf.get_y()
    for n, shot in enumerate(question.shots):
        x = pdf.l_margin + n * (width + 6)
        pdf.image(io.BytesIO(shot.png), x=x, y=top, w=width, h=height, alt_text=shot.caption)
        pdf.set_draw_color(*_RULE)
        pdf.set_line_width(0.2)
        pdf.rect(x, top, width, height)
    pdf.set_y(top + height + 3)


def _places(pdf: FPDF, question: Question) -> None:
    if not question.rows:
        return
    from fpdf.fonts import FontFace

    pdf.set_font(_FACE, size=7.5)
    pdf.set_text_color(*_INK)
    pdf.set_draw_color(*_RULE)
    widths = tuple(width for _, width in _COLUMNS)
    with pdf.table(
        col_widths=widths, width=sum(widths), align="LEFT", text_align="LEFT", line_height=4,
        borders_layout="HORIZONTAL_LINES", headings_style=FontFace(color=_QUIET), padding=0.6,
    ) as table:  # fmt: skip
        table.row([name for name, _ in _COLUMNS])
        for row in question.rows:
            cells = (row.layer, row.mm, row.inch, row.nets, row.measured, row.required, row.count)
            table.row([printable(str(cell)) for cell in cells])
    pdf.ln(1)
    if question.more:
        more = f"And {question.more} more place{'' if question.more == 1 else 's'}."
        _text(pdf, more, 8, colour=_QUIET)


def _foot(pdf: FPDF, letter: Letter) -> None:
    if pdf.will_page_break(40):
        pdf.add_page()
    pdf.ln(8)
    if letter.questions:
        y = pdf.get_y() + 8
        pdf.set_draw_color(*_INK)
        pdf.line(pdf.l_margin, y, pdf.l_margin + 80, y)
        pdf.line(pdf.l_margin + 95, y, pdf.l_margin + 150, y)
        pdf.set_xy(pdf.l_margin, y + 1)
        pdf.set_font(_FACE, size=8)
        pdf.set_text_color(*_QUIET)
        pdf.cell(95, 4, "Answered by")
        pdf.cell(55, 4, "Date", new_x="LMARGIN", new_y="NEXT")
        pdf.ln(4)
    if letter.sender:
        _text(pdf, letter.sender)
    _text(pdf, letter.caution, 8, colour=_QUIET)
