"""The grammars of the structured commands, loaded once each."""

from __future__ import annotations

from functools import cache

from lark import Lark

from dfmcheck.resources import data_folder

# one way to match each number: with two, a list of them takes exponential time to be refused
NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"


@cache
def grammar(name: str) -> Lark:
    """The parser of ``grammars/gerber_<name>.lark``."""
    path = data_folder("grammars") / f"gerber_{name}.lark"
    return Lark(path.read_text(encoding="utf-8"), parser="lalr")
