"""Opens a package and gives every file its role."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath

from dfmcheck.errors import PackageError, UsageError
from dfmcheck.intake import audit, limits
from dfmcheck.intake.boards import belongs, board_prefixes
from dfmcheck.intake.content import layer_list
from dfmcheck.intake.habits import common_words
from dfmcheck.intake.listings import Listings
from dfmcheck.intake.order import Numbering, drill_span, number_conductors
from dfmcheck.intake.package import (
    COPPER,
    FABRICATION,
    Package,
    PackageFile,
    Recognised,
    Source,
    Stack,
)
from dfmcheck.intake.sniff import sniff, text_head
from dfmcheck.intake.unpack import unpack
from dfmcheck.intake.weigh import recognise
from dfmcheck.terms import Assumption, Defect, Function, Role, Weight

ROLES_FILE = "dfmcheck-roles.toml"
_MOST_ROLES = 1_000_000  # bytes
_NO_ROLES: Mapping[str, str] = {}


def open_package(path: Path, *, roles: Mapping[str, str] = _NO_ROLES) -> Package:
    """Open what a customer sent and recognise every file in it.

    Parameters
    ----------
    path : Path
        A folder, zip, tar (also .gz, .bz2, .xz) or single file.
    roles : mapping of str to str, optional
        Roles given by the user: file name, base name or glob → role text such as
        ``"conductor-2"``. They outweigh ``<package>.roles.toml`` beside the package, which
        outweighs ``dfmcheck-roles.toml`` inside it.

    Returns
    -------
    Package

    Raises
    ------
    PackageError
        The package cannot be opened, or nothing in it is fabrication data.
    UsageError
        A role is not a role, or is given to a file that does not exist.
    """
    path = Path(path)
    contents = unpack(path)
    name = path.resolve().name or str(path)
    given: dict[str, Role] = {}
    for origin, table in (
        *_roles_inside(contents.files),
        *_roles_beside(path),
        ("the roles given", roles),
    ):
        _apply(table, origin, list(contents.files), given)
    kinds = {n: (data, sniff(data)) for n, data in contents.files.items()}
    listings = Listings(kinds)
    layers = [n for n, (_, kind) in kinds.items() if kind in ("gerber", "excellon")]
    ignore = common_words([n for n in layers if kinds[n][1] == "gerber"])
    recognised = tuple(
        recognise(n, data, kind, given.get(n), listings.clues.get(n, []), ignore)
        for n, (data, kind) in kinds.items()
    )
    if not audit.anything_recognised(recognised):
        seen = sorted({f"{f.base} ({f.format})" for f in recognised})
        raise PackageError(
            f"nothing in the package is fabrication data; it holds {', '.join(seen[:5])}"
            + (f" and {len(seen) - 5} more" if len(seen) > 5 else ""),
            "Gerber layers and drill files",
            "Export the fabrication data and send it",
            file=name,
        )
    return _assemble(path, name, recognised, (*contents.defects, *listings.defects))


def select_board(package: Package, prefix: str) -> Package:
    """The package with the files of one of its boards and those of no board.

    Parameters
    ----------
    package : Package
    prefix : str
        One of ``package.boards``.

    Returns
    -------
    Package

    Raises
    ------
    UsageError
        The package has no board of this prefix.
    """
    if prefix not in package.boards:
        raise UsageError(
            f"the package has no board '{prefix}'",
            " or ".join(package.boards) or "a package of several boards",
            "Choose one of these" if package.boards else "Leave the choice of a board out",
            file=package.name,
        )
    others = [b for b in package.boards if b != prefix]
    kept = tuple(
        f for f in package._recognised if not any(belongs(f.name, other) for other in others)
    )
    names = {f.name for f in kept}
    gone = {f.name for f in package._recognised} - names
    defects = tuple(d for d in package._opening_defects if d.file not in gone)
    return _assemble(package.path, f"{package.name}:{prefix}", kept, defects, whole=True)


def _assemble(
    path: Path,
    name: str,
    recognised: tuple[Recognised, ...],
    opening: tuple[Defect, ...],
    whole: bool = False,
) -> Package:
    """Number the conductors of each board and look for what is missing."""
    boards = () if whole else board_prefixes(recognised)
    defects: list[Defect] = list(opening)
    assumptions: list[Assumption] = []
    files: dict[str, PackageFile] = {}
    groups = [[f for f in recognised if belongs(f.name, b)] for b in boards] or [list(recognised)]
    if boards:
        grouped = {f.name for g in groups for f in g}
        groups.append([f for f in recognised if f.name not in grouped])
        listed = ", ".join(f"{b} ({len(g)} files)" for b, g in zip(boards, groups, strict=False))
        defects.append(
            Defect(
                "data.several-boards",
                Weight.HOLD,
                f"the package holds {len(boards)} boards: {listed}",
                "one board",
                "Screen one board at a time by choosing its prefix",
            )
        )
    texts = Listings({f.name: (f.data, f.format) for f in recognised})
    for group in groups:
        layers = sum(f.function in FABRICATION for f in group)
        if layers > limits.MAX_LAYERS:
            raise PackageError(
                f"the package holds {layers:,} layers and drill files",
                f"at most {limits.MAX_LAYERS} of one board",
                "Send the fabrication data of one board alone",
                file=name,
            )
        stacks = list(texts.stacks)
        for file in group:
            stack = layer_list(text_head(file.data)) if file.function in COPPER else None
            if stack is not None:
                stacks.append(stack)
                break
        numbering = number_conductors(group, stacks, texts.endings)
        group_files = _finish(group, numbering, texts.endings)
        files |= {f.name: f for f in group_files}
        defects += numbering.defects
        defects += audit.duplicate_roles(group_files)
        defects += audit.unknown_files(group)
        defects += audit.noughts(group)
        defects += audit.job_contradictions(group)
        assumptions += numbering.assumptions
        assumptions += _role_assumptions(group_files, group)
        if not boards:
            defects += audit.missing_roles(group_files, group, numbering)
            defects += _stack_contradictions(texts.stacks, numbering)
    return Package(
        path,
        name,
        tuple(files[f.name] for f in recognised),
        tuple(defects),
        tuple(assumptions),
        boards,
        recognised,
        opening,
    )


def _finish(
    group: Sequence[Recognised], numbering: Numbering, endings: Stack | None
) -> list[PackageFile]:
    copper = [f for f in group if f.function in COPPER]
    finished = []
    for file in group:
        number = numbering.numbers.get(file.name)
        span = drill_span(file, copper, numbering, endings)
        role = audit.role_of(file, number, len(copper), span)
        confidence, evidence = file.confidence, file.evidence
        if number is not None and file.side is None:
            confidence = min(confidence, numbering.confidence)
        if span is not None:
            told = [c.sentence for c in file.clues if c.span is not None]
            evidence = tuple(dict.fromkeys((*evidence, *told)))
        finished.append(
            PackageFile(
                file.name, file.data, file.format, role, confidence, evidence, file.attributes
            )
        )
    return finished


def _role_assumptions(
    files: Sequence[PackageFile], recognised: Sequence[Recognised]
) -> list[Assumption]:
    """One assumption for each layer whose role the data itself does not state."""
    assumptions = []
    for file, raw in zip(files, recognised, strict=True):
        stated = any(
            c.source <= Source.JOB and c.function not in (None, Function.UNKNOWN) for c in raw.clues
        )
        if raw.function in FABRICATION and not (stated and raw.confidence >= 0.8):
            assumptions.append(
                Assumption(
                    "role of the file",
                    str(file.role),
                    "; ".join(raw.evidence),
                    file=file.name,
                    confidence=raw.confidence,
                )
            )
    return assumptions


def _stack_contradictions(stacks: Sequence[Stack], numbering: Numbering) -> list[Defect]:
    """A layer table that lists more or fewer conductors than there are files."""
    for stack in stacks:
        if stack.confidence > 0.9 and numbering.count not in (0, len(stack.names)):
            return [
                Defect(
                    "data.missing-role",
                    Weight.HOLD,
                    f"{stack.sentence} lists {len(stack.names)} conductors, the package holds "
                    f"{numbering.count}",
                    "a file for every conductor",
                    "Send the missing layers, or a netlist that fits the package",
                )
            ]
    return []


def _roles_inside(files: dict[str, bytes]) -> list[tuple[str, Mapping[str, str]]]:
    found = [n for n in files if PurePosixPath(n).name == ROLES_FILE and n.count("/") <= 1]
    return [(n, _read_roles(files[n], n)) for n in sorted(found, key=len)[:1]]


def _roles_beside(path: Path) -> list[tuple[str, Mapping[str, str]]]:
    beside = roles_beside(path)
    if beside is None:
        return []
    with beside.open("rb") as file:  # no more of it than shows that it is too large
        return [(beside.name, _read_roles(file.read(_MOST_ROLES + 1), beside.name))]


def roles_beside(path: Path) -> Path | None:
    """The file of roles that lies beside a package and counts for it."""
    whole = path.resolve()
    for name in (f"{whole.name}.roles.toml", f"{whole.name.split('.')[0]}.roles.toml"):
        beside = whole.parent / name
        if beside.is_file() and beside != whole:
            return beside
    return None


def _read_roles(data: bytes, shown: str) -> Mapping[str, str]:
    form = 'a table [roles] with lines such as "top.gbr" = "conductor-1"'
    if len(data) > _MOST_ROLES:
        raise UsageError("the file is larger than 1 MB", form, "Correct it", file=shown)
    try:
        table = tomllib.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:  # a number or nesting beyond all measure, too
        raise UsageError(
            f"the file is not valid TOML ({' '.join(str(error).split())})",
            form,
            "Correct it",
            file=shown,
        ) from error
    roles = table.get("roles")
    if isinstance(roles, dict) and len(roles) > limits.MAX_ROLES:
        raise UsageError(
            f"the file gives {len(roles):,} roles",
            f"at most {limits.MAX_ROLES:,}",
            "Give roles to the files that need one, or by patterns",
            file=shown,
        )
    if not isinstance(roles, dict) or set(table) != {"roles"}:
        found = ", ".join(f"'{k}'" for k in table) or "nothing"
        raise UsageError(f"the file holds {found}", form, "Correct it", file=shown)
    for name, role in roles.items():
        if not isinstance(role, str):
            raise UsageError(f"the role of '{name}' is {role!r}", form, "Correct it", file=shown)
    return roles


def _apply(table: Mapping[str, str], origin: str, names: list[str], given: dict[str, Role]) -> None:
    """Resolve names, base names and globs; an exact name outweighs a glob of the same table."""
    exact: dict[str, Role] = {}
    for wanted, text in table.items():
        try:
            role = Role.parse(text)
        except ValueError as error:
            raise UsageError(
                f"the role of '{wanted}' is not understood: {error}",
                "a role",
                "Correct it",
                file=origin,
            ) from error
        pattern = wanted.replace("\\", "/").casefold()
        hits = [n for n in names if n.casefold() == pattern]
        hits = hits or [n for n in names if PurePosixPath(n).name.casefold() == pattern]
        if hits:
            exact |= dict.fromkeys(hits, role)
            continue
        for name in names:
            low = name.casefold()
            if fnmatchcase(low, pattern) or fnmatchcase(PurePosixPath(low).name, pattern):
                hits.append(name)
        if not hits:
            raise UsageError(
                f"a role is given to '{wanted}', and the package has no such file",
                "a file of the package",
                f"It holds {', '.join(names[:8])}" + (" and more" if len(names) > 8 else ""),
                file=origin,
            )
        given |= dict.fromkeys(hits, role)
    given |= exact
