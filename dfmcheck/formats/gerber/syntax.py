"""The grammars of the structured commands, loaded once each, with the first text that needs one:
nearly all is plain and read without."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from dfmcheck.resources import data_folder

if TYPE_CHECKING:
    from lark import Lark, Token, Tree

# one way to match each number: with two, a list of them takes exponential time to be refused
NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"


class NotInGrammarError(Exception):
    """The grammar does not know such a text."""


def parse(name: str, text: str) -> Tree[Token]:
    """The tree of a text; among its children, tokens are str and trees are not."""
    from lark.exceptions import UnexpectedInput

    try:
        return grammar(name).parse(text)
    except UnexpectedInput as error:
        raise NotInGrammarError(text) from error


@cache
def grammar(name: str) -> Lark:
    """The parser of ``grammars/gerber_<name>.lark``."""
    from lark import Lark

    path = data_folder("grammars") / f"gerber_{name}.lark"
    return Lark(path.read_text(encoding="utf-8"), parser="lalr")
