"""Attributes (TF, TA, TO, TD): Gerber Layer Format Specification, chapter 5."""

from __future__ import annotations

import re
from functools import lru_cache

from dfmcheck.formats.gerber.syntax import NotInGrammarError, parse

# the plain part of grammars/gerber_attribute.lark; large files hold tens of thousands
_PLAIN = re.compile(r"(TF|TA|TO|TD)(?:([^,*%]+)((?:,[^,*%]*)*))?\Z")
_ESCAPE = re.compile(r"\\u([0-9A-Fa-f]{4})|\\U([0-9A-Fa-f]{8})")


def decode_escapes(text: str) -> str:
    r"""Text with ``\uXXXX`` escapes resolved (specification 3.4.3).

    Examples
    --------
    >>> decode_escapes(r"R\u002D1")
    'R-1'
    """
    if "\\" not in text:
        return text

    def character(match: re.Match[str]) -> str:
        code = int(match[1] or match[2], 16)
        return chr(code) if code < 0x110000 and not 0xD800 <= code < 0xE000 else match[0]

    return _ESCAPE.sub(character, text)


@lru_cache(maxsize=4096)
def read_attribute(text: str) -> tuple[str, str, tuple[str, ...]] | None:
    r"""Kind, name ("" where left out) and fields of an attribute command; None if unreadable.

    Examples
    --------
    >>> read_attribute("TF.FileFunction,Copper,L1,Top")
    ('TF', '.FileFunction', ('Copper', 'L1', 'Top'))
    >>> read_attribute("TD")
    ('TD', '', ())
    """
    plain = _PLAIN.match(text)
    if plain:
        kind, name, rest = plain[1], plain[2] or "", plain[3] or ""
        fields = rest[1:].split(",") if rest else []
    else:
        try:
            kind, name, fields = read_by_grammar(text)
        except NotInGrammarError:
            return None
    if not name and kind != "TD":
        return None
    return kind, decode_escapes(name.strip()), tuple(decode_escapes(f.strip()) for f in fields)


def read_by_grammar(text: str) -> tuple[str, str, list[str]]:
    """The same by ``grammars/gerber_attribute.lark``, escapes not resolved."""
    tree = parse("attribute", text)
    words = [str(t) for t in tree.children if isinstance(t, str)]
    fields = [
        str(c.children[0]) if c.children else "" for c in tree.children if not isinstance(c, str)
    ]
    return words[0], words[1] if len(words) > 1 else "", fields
