"""The short way to read a plain FS command says what its grammar says."""

import itertools

import pytest

from dfmcheck.formats.gerber.coordinates import Format, read_by_grammar, read_format
from dfmcheck.formats.gerber.syntax import NotInGrammarError


def test_plain_commands_read_alike_by_grammar() -> None:
    for zeros, notation, x, y in itertools.product("LTD", "AI", ("24", "36"), ("35", "00")):
        text = f"FS{zeros}{notation}X{x}Y{y}"
        assert read_format(text) == read_by_grammar(text), text
    assert read_format("FSTIX24Y35") == Format((2, 4), (3, 5), trailing=True, incremental=True)


@pytest.mark.parametrize("text", ["FSLAX3Y3", "FSLAX36Y36X", "FSQAX36Y36", "FSLAX36Y36\n"])
def test_what_is_no_command_is_refused_on_both_ways(text: str) -> None:
    for read in (read_format, read_by_grammar):
        with pytest.raises(NotInGrammarError):
            read(text)
