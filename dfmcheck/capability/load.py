"""Reads shop capability files (TOML) and says, with the line, what does not hold.

::

    [shop]
    name = "example"
    title = "Example Circuits"
    units = "mm"                    # or "um" or "mil": every length in the file
    tiers = ["standard", "fine"]    # from the least to the most demanding
    default_tier = "standard"

    [allowance]                     # finished → drilled diameter
    plated = 0.1
    unplated = 0.0

    [stencil]                       # needed where the shop limits stencil ratios
    foil = 0.12                     # its thickness
    register = 0.025                # paste past its land or on mask by no more is as printed

    [panel]                         # how many boards fit on one
    sizes = [[457, 610]]
    border = 20                     # kept free all round
    spacing = 3                     # between boards

    [limits."etch.conductor-spacing"]
    standard = 0.15                 # one value per tier; a tier left out is not judged
    fine = 0.10
    source = "common practice"
    weight = "hold"                 # or "query"; the rule's own weight where left out

    [[limits."etch.conductor-spacing".when]]   # the first variant that applies wins
    position = "outer"              # or "inner"; also plated, kind, hole, depth, volts
    copper_um = { min = 60 }        # finished copper, always µm
    standard = 0.25
    fine = 0.20

Ratios are plain numbers.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

from msgspec import ValidationError, convert

from dfmcheck.capability.schema import (
    MM,
    SECTIONS,
    Misfit,
    RawFile,
    RawHead,
    RawLimit,
    RawRange,
    RawStencil,
    RawWhen,
    built,
    misfits,
)
from dfmcheck.capability.shop import Shop
from dfmcheck.capability.toml_files import read_toml
from dfmcheck.capability.toml_lines import key_lines, key_name
from dfmcheck.errors import ShopFileError
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.rule import rules as all_rules
from dfmcheck.resources import data_folder
from dfmcheck.terms import Step, Weight

T = TypeVar("T")
_PLAUSIBLE = (0.001, 25.0)  # mm; outside it the stated units are almost certainly not meant
_PLAUSIBLE_WHOLE = (0.001, 2000.0)  # the same for what is measured on the board as a whole
_TOP = (*SECTIONS, "limits")
_LIMIT_KEYS = RawLimit.__struct_fields__[1:]  # all but ``values``, which no file has
_WHEN_KEYS = RawWhen.__struct_fields__[1:]
_RANGES = ("copper_um", "hole", "depth", "volts")


def shop_names() -> tuple[str, ...]:
    """Names of the shops that ship with the package, sorted."""
    return tuple(sorted(path.stem for path in data_folder("rulesets").glob("*.toml")))


def load_shop(name_or_path: str | Path, rules: Mapping[str, Rule] | None = None) -> Shop:
    """Load a shipped shop by name, or any shop capability file by path.

    Parameters
    ----------
    name_or_path : str or Path
    rules : mapping of rule id to Rule, optional
        The rules a limit may be given for; all rules when left out.

    Raises
    ------
    ShopFileError
        File and line, what was found, what was expected.
    """
    text = str(name_or_path)
    if text in shop_names():
        path = data_folder("rulesets") / f"{text}.toml"
    else:
        path = Path(text)
    if not path.is_file():
        looks_like_path = path.suffix == ".toml" or len(path.parts) > 1
        raise ShopFileError(
            f"there is no shop file '{text}'" if looks_like_path else f"there is no shop '{text}'",
            "a path to a TOML file, or one of " + ", ".join(shop_names()),
            _meant(text, shop_names()) or "Check the name.",
        )
    try:
        content = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ShopFileError(
            f"the file cannot be read ({error.strerror})",
            "a readable file",
            "Check it.",
            file=str(path),
        ) from error
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        raise ShopFileError(
            "bytes that are not UTF-8", "UTF-8 text", "Save the file as UTF-8.", str(path), line
        ) from error
    return parse_shop(content, str(path), rules)


def parse_shop(text: str, file: str = "", rules: Mapping[str, Rule] | None = None) -> Shop:
    """Read a shop from TOML text; parameters and errors as :func:`load_shop`."""
    return _Reading(text, file, all_rules() if rules is None else rules).shop()


def _meant(word: str, known: Iterable[str]) -> str:
    from difflib import get_close_matches

    close = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"Did you mean '{close[0]}'?" if close else ""


class _Reading:
    """One file being read; collects problems and raises the one that stands first."""

    def __init__(self, text: str, file: str, rules: Mapping[str, Rule]) -> None:
        self.text, self.file, self.rules = text.replace("\r\n", "\n"), file, rules
        self.problems: list[ShopFileError] = []

    def shop(self) -> Shop:
        read = self.fitted(self.checked_keys(self.toml()), RawFile)
        self.check(read)
        self.stop()
        return built(read, self.rules, self.file)

    # -- problems ------------------------------------------------------------------------

    @cached_property
    def lines(self) -> dict[tuple[str | int, ...], int]:
        """Looked up only where something does not hold."""
        return key_lines(self.text)

    def line(self, path: tuple[str | int, ...]) -> int:
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def problem(
        self, path: tuple[str | int, ...], found: str, expected: str, action: str = ""
    ) -> None:
        self.problems.append(
            ShopFileError(found, expected, action or "Correct it.", self.file, self.line(path))
        )

    def stop(self) -> None:
        if self.problems:
            raise min(self.problems, key=lambda p: p.line or 0)

    def fitted(self, table: Any, kind: type[T], path: tuple[str, ...] = ()) -> T:
        """The table as its kind, if nothing is wrong so far."""
        self.stop()
        try:
            return convert(table, kind)
        except ValidationError:
            for one in misfits(table, kind, path):
                self.misfit(one)
            self.stop()
            raise

    def misfit(self, one: Misfit) -> None:
        path = tuple(part for part in one.path if part != "values")
        name = key_name(path)
        if not one.expected:
            *table, key = path
            self.problem(tuple(table), f"{key_name(table)} has no {key}", f"a value for {name}")
            return
        meant = _meant(str(one.value), one.choices)
        self.problem(path, f"{name} = {_toml(one.value)}", one.expected, meant)

    # -- steps ---------------------------------------------------------------------------

    def toml(self) -> dict[str, Any]:
        try:
            return read_toml(self.text)
        except tomllib.TOMLDecodeError as error:
            match = re.search(
                r"^(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)$", str(error)
            )
            what = match[1] if match else str(error)
            line = int(match[2]) if match and match[2] else self.text.count("\n") + 1
            raise ShopFileError(
                f"the text is not valid TOML ({what[:1].lower()}{what[1:]})",
                "TOML, as 'name = value' lines under [tables]",
                "Correct the line.",
                self.file,
                line,
            ) from error

    def unknown(self, path: tuple[str | int, ...], known: Iterable[str], where: str) -> None:
        known = list(known)
        self.problem(
            path,
            f"unknown entry '{path[-1]}' in {where}",
            "one of " + ", ".join(known),
            _meant(str(path[-1]), known) or "Remove it.",
        )

    def checked_keys(self, raw: dict[str, Any]) -> dict[str, Any]:
        """Name unknown keys, and move tier values into ``values`` for the schema."""
        for key in raw.keys() - set(_TOP):
            self.unknown((key,), _TOP, "the file")
        out = {key: raw[key] for key in _TOP if key in raw}
        head = raw.get("shop")
        if "limits" not in raw or not isinstance(head, dict):
            missing = "limits" if isinstance(head, dict) else "shop"
            self.problem((), f"there is no [{missing}] table", "one", "Add it.")
            return out
        for section, kind in SECTIONS.items():
            table, keys = raw.get(section), kind.__struct_fields__
            for key in table.keys() - set(keys) if isinstance(table, dict) else ():
                self.unknown((section, key), keys, f"[{section}]")
        # without sound tiers every value below would be called unknown
        tiers = self.fitted(head, RawHead, ("shop",)).tiers
        if isinstance(raw["limits"], dict):
            out["limits"] = {
                id_: self.limit_keys(id_, table, tiers) for id_, table in raw["limits"].items()
            }
        return out

    def limit_keys(self, id_: str, table: Any, tiers: list[str]) -> Any:
        path = ("limits", id_)
        rule = self.rules.get(id_)
        if isinstance(table, dict) and rule is None and "." not in id_:
            inner = next((f"{id_}.{key}" for key in table if f"{id_}.{key}" in self.rules), "")
            if inner:
                self.problem(
                    path, f"a rule id without quotes, [limits.{inner}]", f'[limits."{inner}"]'
                )
                return table
        if rule is None:
            judged = [r.id for r in self.rules.values() if r.step != Step.DATA]
            meant = _meant(id_, judged)
            self.problem(path, f"unknown rule '{id_}'", "a rule id, step.quantity", meant)
        elif rule.step == Step.DATA:
            self.problem(path, f"a limit for {id_}", "no limit: this rule has no measured value")
        if not isinstance(table, dict):
            return table
        out = self.split(path, table, _LIMIT_KEYS, tiers)
        if isinstance(out.get("when"), list):
            out["when"] = [
                self.split((*path, "when", n), variant, _WHEN_KEYS, tiers)
                if isinstance(variant, dict)
                else variant
                for n, variant in enumerate(out["when"])
            ]
        return out

    def split(
        self,
        path: tuple[str | int, ...],
        table: dict[str, Any],
        keys: tuple[str, ...],
        tiers: list[str],
    ) -> dict[str, Any]:
        for key in table.keys() - set(keys) - set(tiers):
            self.unknown((*path, key), (*tiers, *keys), key_name(path))
        for key, value in table.items():
            if key in _RANGES and isinstance(value, dict):
                ends = RawRange.__struct_fields__
                for end in value.keys() - set(ends):
                    self.unknown((*path, key, end), ends, f"{key_name(path)} {key}")
        values = {key: value for key, value in table.items() if key in tiers and key not in keys}
        return {"values": values} | {key: table[key] for key in keys if key in table}

    # -- meaning -------------------------------------------------------------------------

    def check(self, read: RawFile) -> None:
        shop, tiers, head = read.shop, read.shop.tiers, ("shop",)
        reserved = set(_LIMIT_KEYS) | set(_WHEN_KEYS)
        for n, tier in enumerate(tiers):
            if tier in reserved:
                self.problem((*head, "tiers", n), f"a tier named '{tier}'", "another name")
            if tier in tiers[:n]:
                self.problem((*head, "tiers", n), f"tier '{tier}' twice", "each tier once")
        default = shop.default_tier
        if default not in tiers:
            said, expected = f"default_tier '{default}'", "one of " + ", ".join(tiers)
            self.problem((*head, "default_tier"), said, expected, _meant(default, tiers))
        stencil = read.stencil or RawStencil(foil=0.0)
        for table, name, length in (
            ("allowance", "plated", read.allowance.plated),
            ("allowance", "unplated", read.allowance.unplated),
            ("stencil", "register", stencil.register),
        ):
            if length * MM[shop.units] > 1.0:
                said = f"{table}.{name} = {length:g} {shop.units}"
                self.problem((table, name), said, "at most 1 mm", "Check units.")
        no_foil = stencil.foil == 0
        for id_, limit in read.limits.items():
            if self.rules[id_].allowance == "foil" and no_foil:
                path = ("limits", id_)
                said = f"{key_name(path)} without a foil"
                self.problem(path, said, "[stencil] foil = its thickness")
            self.check_limit(self.rules[id_], limit, shop)

    def check_limit(self, rule: Rule, limit: RawLimit, shop: RawHead) -> None:
        path: tuple[str | int, ...] = ("limits", rule.id)
        base, weight = limit.values, limit.weight
        if not base and not limit.when:
            self.problem(path, f"{key_name(path)} has no value", "one for at least one tier")
        if weight is not None and Weight[weight.upper()] > rule.weight:
            heaviest = rule.weight.name.lower()
            self.problem(
                (*path, "weight"),
                f"weight '{weight}'",
                f"at most '{heaviest}', the heaviest {rule.id} may have",
            )
        self.check_values(path, rule, base, shop)
        for n, variant in enumerate(limit.when):
            here = (*path, "when", n)
            self.check_values(here, rule, variant.values, shop)
            if all(getattr(variant, key) is None for key in _WHEN_KEYS if key != "source"):
                self.problem(here, "a variant without a condition", "at least one")
            for name in _RANGES:
                match getattr(variant, name):
                    case RawRange(min=None, max=None):
                        self.problem((*here, name), f"{name} without min or max", "at least one")
                    case RawRange(min=float(low), max=float(high)) if low > high:
                        self.problem((*here, name), f"{name} with min above max", "min up to max")
            lacking = [t for t in shop.tiers if t in base and t not in variant.values]
            if lacking or not variant.values:
                self.problem(
                    here,
                    f"a variant without a value for {', '.join(lacking) or 'any tier'}",
                    "a value for every tier the base limit has",
                )

    def check_values(
        self, path: tuple[str | int, ...], rule: Rule, values: dict[str, float], shop: RawHead
    ) -> None:
        units = shop.units if rule.unit == "mm" else ""
        before: tuple[str, float] | None = None
        for tier in shop.tiers:
            if tier not in values:
                continue
            value = values[tier]
            shown = f"{tier} = {value:g} {units}".strip()
            if rule.unit == "mm" and value:
                low, high = _PLAUSIBLE_WHOLE if rule.looks_at == "package" else _PLAUSIBLE
                if not low <= value * MM[shop.units] <= high:
                    self.problem(
                        (*path, tier),
                        shown,
                        f"a length from {low:g} to {high:g} mm",
                        "Check units.",
                    )
            if before is not None:
                worse = value > before[1] if rule.direction == "at-least" else value < before[1]
                if worse:
                    bound = "at most" if rule.direction == "at-least" else "at least"
                    self.problem(
                        (*path, tier),
                        f"{shown} makes tier {tier} less capable than tier {before[0]}",
                        f"{bound} {before[1]:g}",
                        "Tiers run from the least to the most demanding.",
                    )
            before = (tier, value)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f"'{value}'"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return f"{value}"
