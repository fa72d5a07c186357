"""What the user states of packages beside their data: thickness, copper, board, roles, customer.

For all packages by options, for some by a file (``dfmcheck-stated.toml`` in the folder screened)::

    [packages."*"]                        # a pattern; * stands for any characters, / too
    copper = 35                           # µm

    [packages."Mill Street Audio/*"]
    thickness = 1.6                       # mm
    by = "frame contract, 3 March"        # who says so; told in the reports

    [packages."Tern Island/beacon.zip"]   # a package, by its path below the folder
    thickness = 0.8
    board = "beacon"
    roles = { "in1.gbr" = "conductor-2" }
    customer = "Tern Island Radio"

Each value is taken from the package's own entry, else from the first pattern that has it, else
from an option. A thickness in a package's own entry outweighs what its data says; one that is
stated for many packages holds for those whose data says nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Any

import msgspec
from msgspec import Meta, Struct

from dfmcheck.capability.schema import Words, misfits
from dfmcheck.capability.toml_files import tables_of, text_of
from dfmcheck.capability.toml_lines import key_lines
from dfmcheck.errors import UsageError
from dfmcheck.measure.screening import Screening
from dfmcheck.ranges import COPPER, THICKNESS
from dfmcheck.terms import Assumption, Role

_WILD = set("*?[")
STATED_FILE = "dfmcheck-stated.toml"
_SUBJECTS = {
    "thickness": "board thickness",
    "copper": "finished copper",
    "board": "board of the package",
    "roles": "roles of files",
    "customer": "customer",
}
_FORM = 'tables [packages."NAME"] with lines such as thickness = 1.6'


def _within(ends: tuple[float, float], unit: str) -> Meta:
    low, high = ends
    return Meta(ge=low, le=high, description=f"a number of {unit} from {low:g} to {high:g}")


class Entry(Struct, frozen=True):
    """What one table of the file states."""

    thickness: Annotated[float, _within(THICKNESS, "mm")] | None = None
    copper: Annotated[float, _within(COPPER, "µm")] | None = None
    board: Words | None = None
    roles: Annotated[dict[str, Words], Meta(description="a table of FILE = ROLE")] | None = None
    customer: Words | None = None
    by: Words | None = None


class Statement(Struct, frozen=True):
    """What is stated of one package. ``own``: the thickness outweighs that of the data;
    ``evidence`` tells who states what, by field."""

    thickness: float | None = None
    own: bool = False
    copper: float | None = None
    board: str = ""
    roles: dict[str, str] = {}
    customer: str = ""
    evidence: dict[str, str] = {}

    def thickness_for(self, in_data: float | None) -> float | None:
        """The thickness to screen with, mm; None where the data's own counts, or there is none."""
        return self.thickness if self.own or in_data is None else None

    def measures_as(self, other: Statement, in_data: float | None) -> bool:
        """Whether a package, ``in_data`` its thickness by its data, measures the same with both."""
        mine, others = self.thickness_for(in_data), other.thickness_for(in_data)
        return (mine, self.board, self.roles) == (others, other.board, other.roles)

    def text(self) -> str:
        return msgspec.json.encode(self, order="sorted").decode()


NOTHING = Statement()


def statement_from(text: str | None) -> Statement:
    """A statement kept as :meth:`Statement.text`."""
    return msgspec.json.decode(text, type=Statement) if text else NOTHING


@dataclass(frozen=True, slots=True)
class Statements:
    """All that is stated of a folder of packages: entries by name, in the order of the file."""

    file: str = ""
    entries: Mapping[str, Entry] = field(default_factory=dict)
    lines: Mapping[str, int] = field(default_factory=dict)
    options: Entry = Entry()
    patterns: tuple[str, ...] = ()  # names of entries that may hold for other names than theirs

    def of(self, package: str) -> Statement:
        """What is stated of a package, by its path below the folder."""
        values: dict[str, Any] = {}
        for name, entry, evidence in self._for(package):
            for key in _SUBJECTS:
                value = getattr(entry, key)
                if value is not None and key not in values:
                    values[key] = value
                    values.setdefault("evidence", {})[key] = evidence
                    if key == "thickness":
                        values["own"] = name == package
        return Statement(**values)

    def _for(self, package: str) -> Iterator[tuple[str, Entry, str]]:
        """Name, entry and evidence of all that holds for a package, the weightiest first."""
        for name in self._names(package):
            entry = self.entries[name]
            by = f"stated by {entry.by}" if entry.by else "stated by the user"
            yield name, entry, f"{by}, in {Path(self.file).name} for '{name}'"
        yield "", self.options, "stated by the user for all packages"

    def _names(self, package: str) -> Iterator[str]:
        if package in self.entries:
            yield package
        yield from (n for n in self.patterns if n != package and fnmatchcase(package, n))

    def named(self, package: str) -> bool:
        """Whether an entry of the file holds for a package."""
        return next(self._names(package), None) is not None

    def unmatched(self, packages: Iterable[str]) -> tuple[tuple[str, int], ...]:
        """Entries that hold for no package: name and line."""
        there = set(packages)
        loose = {n for n in self.patterns if any(fnmatchcase(one, n) for one in there)}
        return tuple(
            (name, self.lines.get(name, 1))
            for name in self.entries
            if name not in there and name not in loose
        )


def find(folder: Path, given: Path | None, options: Entry) -> Statements:
    """Statements of the file ``given``, or of the one in the folder if there is one.

    Raises
    ------
    UsageError
        File and line, what was found, what was expected.
    """
    path = given if given is not None else folder / STATED_FILE
    if given is None and not path.is_file():
        return Statements(options=options)
    return replace(parse(text_of(path, "a file of statements"), str(path)), options=options)


def parse(text: str, file: str) -> Statements:
    """Statements of a TOML text; errors as :func:`find`.

    Examples
    --------
    >>> parse('[packages."a/*"]\\nthickness = 1.6\\n', "s.toml").of("a/b.zip").thickness
    1.6
    """
    raw = tables_of(text, file, _FORM)
    lines = key_lines(text)

    def wrong(path: tuple[str | int, ...], found: str, expected: str, action: str) -> UsageError:
        while path and path not in lines:
            path = path[:-1]
        return UsageError(found, expected, action, file, lines.get(path, 1))

    for key in raw:
        if key != "packages":
            raise wrong((key,), f"'{key}'", _FORM, "Leave it out, or put it below [packages].")
    packages = raw.get("packages", {})
    if not isinstance(packages, dict):
        raise wrong(("packages",), "packages = a single value", _FORM, "Correct it.")
    entries: dict[str, Entry] = {}
    for name, table in packages.items():
        path = ("packages", name)
        if not isinstance(table, dict):
            raise wrong(path, f"'{name}' = {table!r}", _FORM, "Write a table for each name.")
        for key in table:
            if key not in Entry.__struct_fields__:
                raise wrong(
                    (*path, key), f"'{key}' of '{name}'",
                    f"one of {', '.join(Entry.__struct_fields__)}",
                    "Correct it; a name of other signs than letters, digits, - and _ needs quotes.",
                )  # fmt: skip
        for misfit in misfits(table, Entry, path):
            what = " ".join(map(str, misfit.path[2:]))
            raise wrong(misfit.path, f"{what} = {misfit.value!r}", misfit.expected, "Correct it.")
        entry = msgspec.convert(table, Entry)
        for wanted, role in (entry.roles or {}).items():
            try:
                Role.parse(role)
            except ValueError as error:
                raise wrong(
                    (*path, "roles", wanted), f"the role of '{wanted}' is not understood: {error}",
                    "a role", "Correct it.",
                ) from error  # fmt: skip
        entries[name] = entry
    return Statements(
        file,
        entries,
        {name: lines.get(("packages", name), 1) for name in entries},
        patterns=tuple(name for name in entries if _WILD & set(name)),
    )


def recorded(screening: Screening, statement: Statement) -> Screening:
    """The screening with what was stated of it: copper as a fact, all as assumptions. What
    another statement left in a kept screening is replaced."""
    in_data = screening.facts.data_thickness
    told = {
        "copper": "" if statement.copper is None else f"{statement.copper:g} µm",
        "board": statement.board,
        "roles": ", ".join(f"{file} is {role}" for file, role in statement.roles.items()),
        "customer": statement.customer,
    }
    replaced = {_SUBJECTS[key] for key in told}
    evidence = dict(statement.evidence)
    thickness = statement.thickness_for(in_data)
    if thickness is not None:
        told = {"thickness": f"{thickness:g} mm", **told}
        replaced.add(_SUBJECTS["thickness"])
        if in_data is not None:
            evidence["thickness"] += f"; its data says {in_data:g} mm"
    kept = tuple(one for one in screening.assumptions if one.subject not in replaced)
    stated = tuple(
        Assumption(_SUBJECTS[key], value, evidence[key]) for key, value in told.items() if value
    )
    copper = statement.copper
    facts = replace(screening.facts, outer_copper_um=copper, inner_copper_um=copper)
    return replace(screening, assumptions=kept + stated, facts=facts)
