"""Shop files: what is read, and the line named when something does not hold."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from limit_rules import RULES

from dfmcheck.capability import load_shop, parse_shop, shop_names
from dfmcheck.capability.toml_lines import key_lines
from dfmcheck.errors import ShopFileError
from dfmcheck.measure.rule import measure_functions, rules
from dfmcheck.resources import data_folder
from dfmcheck.terms import Weight

GOOD = """\
[shop]
name = "made-up"
title = "Made Up Boards"
units = "um"
tiers = ["standard", "fine"]
default_tier = "standard"

[allowance]
plated = 100

[limits."etch.conductor-spacing"]
standard = 150
fine = 100
source = "common practice"
weight = "hold"

[[limits."etch.conductor-spacing".when]]
position = "outer"
copper_um = { min = 60 }
standard = 250
fine = 200

[limits."drill.aspect-ratio"]
standard = 8
fine = 10

[limits."plate.annular-ring"]
standard = 120
"""


def test_a_good_file_is_read_in_mm() -> None:
    shop = parse_shop(GOOD, "made-up.toml", RULES)
    assert (shop.name, shop.tiers, shop.default_tier) == (
        "made-up",
        ("standard", "fine"),
        "standard",
    )
    assert (shop.allowance.plated, shop.allowance.unplated) == (0.1, 0.0)
    spacing = shop.limits["etch.conductor-spacing"]
    assert spacing.values == {"standard": pytest.approx(0.15), "fine": pytest.approx(0.1)}
    assert (spacing.source, spacing.weight) == ("common practice", Weight.HOLD)
    (variant,) = spacing.variants
    assert variant.copper_um is not None
    assert (variant.position, variant.copper_um.min, variant.copper_um.max) == ("outer", 60, None)
    assert variant.values["standard"] == pytest.approx(0.25)
    assert shop.limits["drill.aspect-ratio"].values == {"standard": 8, "fine": 10}
    assert shop.limits["plate.annular-ring"].values == {"standard": pytest.approx(0.12)}


def test_reach_covers_every_condition_and_the_allowance() -> None:
    reach = parse_shop(GOOD, rules=RULES).limit_reach()
    assert reach == {
        "etch.conductor-spacing": pytest.approx(0.25),
        "plate.annular-ring": pytest.approx(0.12 + 0.05),
    }


@pytest.mark.parametrize("name", shop_names())
def test_shipped_shops_limit_what_is_measured_and_name_a_source(name: str) -> None:
    shop = load_shop(name)
    assert shop.name == name
    assert "invented" in shop.title.lower()
    assert shop.limits.keys() <= measure_functions().keys()
    assert len(shop.limits) >= 10
    for limit in shop.limits.values():
        # what is measured only where asked for may have limits under conditions alone
        asked = rules()[limit.rule].opt_in and not limit.values
        tables = [variant.values for variant in limit.variants] if asked else [limit.values]
        assert tables and all(table.keys() == set(shop.tiers) for table in tables)
        assert limit.source
        assert all(variant.source for variant in limit.variants)


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('units = "um"', 'unit = "um"', 4, ["'unit'", "Did you mean 'units'?"]),
        ('units = "um"', 'units = "mm "', 4, ["units = 'mm '", "'mm', 'um' or 'mil'"]),
        ('units = "um"\n', "", 1, ["shop has no units"]),
        ("[allowance]", "[alowance]", 8, ["'alowance'", "Did you mean 'allowance'?"]),
        ("plated = 100", "platted = 100", 9, ["'platted'", "Did you mean 'plated'?"]),
        ("plated = 100", 'plated = "100"', 9, ["allowance.plated = '100'", "a finite number"]),
        ("plated = 100", "plated = 1e400", 9, ["allowance.plated = inf", "a finite number"]),
        ('name = "made-up"', 'name = ""', 2, ["shop.name = ''", "at least 1 character"]),
        ('name = "made-up"', "name = 7", 2, ["shop.name = 7", "a text of"]),
        ('"standard", "fine"]', '"standard", 7]', 5, ["shop.tiers[2] = 7", "a text of"]),
        ("[allowance]", "[panel]\nsizes = [[1]]\n[allowance]", 9, ["sizes[1]", "two numbers"]),
        ("[allowance]", "[stencil]\n[allowance]", 8, ["stencil has no foil"]),
        ('position = "outer"', "plated = 1", 18, ["plated = 1", "true or false"]),
        ("plated = 100", "plated = -100", 9, ["-100", "0 or more"]),
        ("plated = 100", "plated = 10000", 9, ["at most 1 mm"]),
        ('"etch.conductor-spacing"]\ns', '"etch.conductor-spaceing"]\ns', 11,
         ["'etch.conductor-spaceing'", "Did you mean 'etch.conductor-spacing'?"]),
        ('[limits."drill.aspect-ratio"]', "[limits.drill.aspect-ratio]", 23,
         ["without quotes", '[limits."drill.aspect-ratio"]']),
        ('[limits."drill.aspect-ratio"]', '[limits."data.tool-size"]', 23, ["no measured value"]),
        ("fine = 100", "fin = 100", 13, ["'fin'", "Did you mean 'fine'?"]),
        ("fine = 100", "fine = true", 13, ["fine = true", "number"]),
        ("fine = 100", "fine = nan", 13, ["fine = nan", "finite"]),
        ("fine = 100", "fine = 151", 13, ["less capable than tier standard", "at most 150"]),
        ("fine = 10\n", "fine = 7\n", 25, ["less capable than tier standard", "at least 8"]),
        ("fine = 100", "fine = 0.1", 13, ["a length from 0.001 to 25 mm"]),
        ("standard = 120", "standard = 120000", 28, ["a length from 0.001 to 25 mm"]),
        ('source = "c', 'sorce = "c', 14, ["'sorce'", "Did you mean 'source'?"]),
        ('weight = "hold"', 'weight = "holt"', 15, ["weight = 'holt'", "Did you mean 'hold'?"]),
        ("]\nposition", "]\npositon", 18, ["'positon'", "Did you mean 'position'?"]),
        ('position = "outer"', 'position = "outher"', 18, ["'outher'", "Did you mean 'outer'?"]),
        ("{ min = 60 }", "{ mni = 60 }", 19, ["'mni'", "Did you mean 'min'?"]),
        ("{ min = 60 }", "{ }", 19, ["copper_um without min or max"]),
        ("{ min = 60 }", "{ min = 60, max = 50 }", 19, ["min above max"]),
        ("{ min = 60 }", "60", 19, ["copper_um = 60", "a table"]),
        ('position = "outer"\ncopper_um = { min = 60 }\n', "", 17, ["without a condition"]),
        ("standard = 250\nfine = 200", "standard = 250", 17, ["without a value for fine"]),
        ("fine = 200", "fine = 260", 21, ["less capable"]),
        ("standard = 120", "", 27, ["has no value"]),
        ('default_tier = "standard"', 'default_tier = "standart"', 6, ["Did you mean 'standard'?"]),
        ('"standard", "fine"]', '"standard", "standard", "fine"]', 5, ["'standard' twice"]),
        ('["standard", "fine"]', "[]", 5, ["tiers = a list", "at least 1 tier"]),
        ("[limits", "[[limits", 11, ["not valid TOML"]),
        ("units = ", "units ", 4, ["not valid TOML"]),
        ("fine = 100", "fine = 100\nfine = 90", 14, ["not valid TOML"]),
    ],
)  # fmt: skip
def test_an_error_names_its_line(old: str, new: str, line: int, words: list[str]) -> None:
    assert old in GOOD
    with pytest.raises(ShopFileError) as error:
        parse_shop(GOOD.replace(old, new, 1), "made-up.toml", RULES)
    text = str(error.value)
    assert error.value.line == line, text
    assert text.startswith(f"made-up.toml, line {line}: ")
    assert "expected" in text
    for word in words:
        assert word in text


def test_the_first_of_several_errors_is_named() -> None:
    text = GOOD.replace("fine = 200", "fin = 200").replace("plated = 100", "platd = 100")
    with pytest.raises(ShopFileError) as error:
        parse_shop(text, "", RULES)
    assert error.value.line == 9


def test_a_weight_heavier_than_the_rule_allows_is_refused() -> None:
    text = GOOD + '[limits."etch.notch"]\nstandard = 100\nweight = "hold"\n'
    with pytest.raises(ShopFileError, match="at most 'query'"):
        parse_shop(text, "", RULES)


@pytest.mark.parametrize("text", ["", "[shop]\n", "limits = 3\n", "shop = 3\n[limits]\n", "a"])
def test_a_file_that_is_not_a_shop_is_refused(text: str) -> None:
    with pytest.raises(ShopFileError):
        parse_shop(text, "x.toml", RULES)


def test_shops_are_found_by_name_or_path(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_shop(path, RULES).file == str(path)
    with pytest.raises(ShopFileError, match="Did you mean 'prototype'"):
        load_shop("prototpye", RULES)
    with pytest.raises(ShopFileError, match="there is no shop file"):
        load_shop(tmp_path / "none.toml", RULES)
    path.write_bytes(b'[shop]\nname = "\xff"\n')
    with pytest.raises(ShopFileError, match="line 2: bytes that are not UTF-8"):
        load_shop(path, RULES)


def paths_of(value: object, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    out = {path} if path else set()
    if isinstance(value, dict):
        for key, inner in value.items():
            out |= paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for n, inner in enumerate(value):
            out |= paths_of(inner, (*path, n))
    return out


@pytest.mark.parametrize("name", shop_names())
def test_every_entry_of_a_shipped_shop_has_a_line(name: str) -> None:
    text = (data_folder("rulesets") / f"{name}.toml").read_text()
    lines = key_lines(text)
    assert lines.keys() == paths_of(tomllib.loads(text))
    rows = text.splitlines()
    for path, line in lines.items():
        last = next(part for part in reversed(path) if isinstance(part, str))
        assert last in rows[line - 1]


AWKWARD = '''\
a.b = 1 # c = 2
"x = y" = """
not = "a key"
[nor a table]"""
'q"' = [ # [
  1, "]", { k = 'v', "l.m".n = [ 2 ] },
]
[[t]]
[[t]]
z = \'\'\'
\'\'\'
[t.u]
w = 1979-05-27T07:32:00
'''


def test_awkward_toml_is_followed() -> None:
    lines = key_lines(AWKWARD)
    assert lines.keys() == paths_of(tomllib.loads(AWKWARD))
    assert lines[("a", "b")] == 1
    assert lines[("x = y",)] == 2
    assert lines[('q"', 2, "l.m", "n")] == 6
    assert lines[("t", 1)] == 9
    assert lines[("t", 1, "u", "w")] == 13


@given(st.text(alphabet="ab.=\"'[]{}#,\n 1", max_size=40))
def test_the_scan_ends_on_any_text(text: str) -> None:
    lines = key_lines(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert lines.keys() == paths_of(raw)
