"""The letter as Markdown and as one HTML file."""

from __future__ import annotations

import base64
import re
from pathlib import Path

from dfmcheck.report.letter.questions import Letter, Shot

_SPECIAL = re.compile(r"([\\`*_{}\[\]<>#+!|~-])")


def to_html(letter: Letter) -> str:
    """The letter as one HTML file that needs nothing else; it prints well."""
    from jinja2 import Environment, PackageLoader

    environment = Environment(
        loader=PackageLoader("dfmcheck.report", "templates"),
        autoescape=True, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["data_uri"] = _data_uri
    text: str = environment.get_template("letter.html.j2").render(letter=letter)
    return text


def _data_uri(shot: Shot) -> str:
    return "data:image/png;base64," + base64.b64encode(shot.png).decode("ascii")


def to_markdown(letter: Letter, pictures: str = "") -> str:
    """The letter as Markdown; ``pictures`` is the folder of :func:`save_shots`, as the text
    shall name it, "" leaves the pictures out."""
    from jinja2 import Environment, PackageLoader

    # no HTML escaping: the text is Markdown, and ``md`` escapes what that would take as marks
    environment = Environment(
        loader=PackageLoader("dfmcheck.report", "templates"),
        autoescape=False, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["md"] = escaped
    text: str = environment.get_template("letter.md.j2").render(
        letter=letter, pictures=pictures, shot_name=shot_name
    )
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"


def escaped(text: str) -> str:
    """Text in which no sign is taken for Markdown's.

    >>> print(escaped("USB_D+ | *RESET"))
    USB\\_D\\+ \\| \\*RESET
    """
    return _SPECIAL.sub(r"\\\1", text)


def shot_name(question: int, number: int) -> str:
    """File name of a picture.

    >>> shot_name(3, 1)
    'question-03-1.png'
    """
    return f"question-{question:02d}-{number}.png"


def save_shots(letter: Letter, folder: Path) -> None:
    """Write the pictures that the Markdown names."""
    folder.mkdir(parents=True, exist_ok=True)
    for question in letter.questions:
        for number, shot in enumerate(question.shots, start=1):
            (folder / shot_name(question.number, number)).write_bytes(shot.png)
