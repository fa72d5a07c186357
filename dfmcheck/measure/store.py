"""Keeps a screening in one file, so that any shop can judge it later without measuring again.

The file is a zip: ``places.arrow``, the table of measurements in the Arrow file format (read
ten times faster than Parquet, and as small) with its text columns dictionary-encoded;
``drawing/*.npy`` where the board's drawing was kept; and ``screening.json``, all the rest.
"""

from __future__ import annotations

import io
import json
import zipfile
import zlib
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dfmcheck.errors import PackageError
from dfmcheck.measure import drawing as drawings
from dfmcheck.measure.places import COLUMNS, Places
from dfmcheck.measure.screening import Facts, FileEntry, Gap, HoleCount, Screening
from dfmcheck.terms import Assumption, Defect, Weight

if TYPE_CHECKING:
    import pyarrow as pa

VERSION = 3
_KIND = "dfmcheck screening"
_TABLE, _REST, _DRAWING = "places.arrow", "screening.json", "drawing/"
_MEMBER_DATE = (1980, 1, 1, 0, 0, 0)  # one screening always gives the same bytes


def save(screening: Screening, path: str | Path) -> None:
    """Write a screening to ``path``; an existing file is replaced only once all is written.

    Raises
    ------
    PackageError
        The file cannot be written.
    """
    import pyarrow as pa

    rest = {"kind": _KIND, "version": VERSION}
    for field in fields(Screening):
        if field.name not in ("places", "drawing"):
            rest[field.name] = plain(getattr(screening, field.name))
    table, stored = to_arrow(screening.places), io.BytesIO()
    how = pa.ipc.IpcWriteOptions(compression="zstd")
    with pa.ipc.new_file(stored, table.schema, options=how) as out:
        out.write_table(table)
    members = {_REST: json.dumps(rest).encode(), _TABLE: stored.getvalue()}
    if screening.drawing is not None:
        for name, array in drawings.columns(screening.drawing).items():
            column = io.BytesIO()
            np.save(column, array, allow_pickle=False)
            members[f"{_DRAWING}{name}.npy"] = column.getvalue()
    path = Path(path)
    part = path.with_name(path.name + ".part")
    try:
        with zipfile.ZipFile(part, "w") as archive:
            for name, content in members.items():
                entry = zipfile.ZipInfo(name, _MEMBER_DATE)
                entry.compress_type = zipfile.ZIP_STORED if name == _TABLE else zipfile.ZIP_DEFLATED
                archive.writestr(entry, content)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise PackageError(
            f"the screening cannot be written ({error.strerror})",
            "a folder that can be written to",
            "Choose another place.",
            str(path),
        ) from error


def load(path: str | Path, *, drawing: bool = True) -> Screening:
    """Read a screening back, exactly as it was saved; ``drawing`` False leaves that out.

    Raises
    ------
    PackageError
        Not a screening file, made by another version of the format, or damaged.
    """
    text = str(path)
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            if _REST not in names:
                raise _wrong("a zip that holds no screening", text)
            facts = _facts(archive.read(_REST), text)
            if _TABLE not in names:
                raise _wrong("a zip that holds no screening", text)
            table = archive.read(_TABLE)
            drawn = {
                name.removeprefix(_DRAWING).removesuffix(".npy"): archive.read(name)
                for name in names
                if drawing and name.startswith(_DRAWING)
            }
    except OSError as error:
        raise PackageError(
            f"the file cannot be opened ({error.strerror})",
            "a saved screening",
            "Check the path.",
            text,
        ) from error
    except zipfile.BadZipFile as error:
        raise _wrong(f"not a whole zip container ({error})", text) from error
    # zlib.error, RuntimeError (an encrypted member) and NotImplementedError (its compression)
    except (RuntimeError, EOFError, ValueError, zlib.error) as error:
        raise _wrong(f"a damaged zip container ({error})", text) from error
    places = _read_table(table, text)
    kept = _from_arrays(drawn, text) if drawn else None
    try:
        return replace(rebuilt(facts, places), drawing=kept)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _wrong(f"{_REST} lacks or distorts an entry ({error!r})", text) from error


def _facts(content: bytes, path: str) -> dict[str, Any]:
    try:
        facts = json.loads(content)
    except ValueError as error:
        raise _wrong(f"{_REST} is not JSON ({error})", path) from error
    if not isinstance(facts, dict) or facts.get("kind") != _KIND:
        raise _wrong(f"{_REST} describes no screening", path)
    if facts.get("version") != VERSION:
        raise PackageError(
            f"a screening file of version {facts.get('version')}",
            f"version {VERSION}",
            "Screen the package again with this version.",
            path,
        )
    return facts


def _from_arrays(members: dict[str, bytes], path: str) -> drawings.Drawing:
    try:
        arrays = {
            name: np.load(io.BytesIO(content), allow_pickle=False)
            for name, content in members.items()
        }
        return drawings.from_columns(arrays)
    except (KeyError, TypeError, ValueError, EOFError, OSError) as error:
        raise _wrong(f"a drawing that cannot be read ({error!r})", path) from error


_ADVICE = (
    "Save the screening again; a package of artwork and drill data goes to the screen command."
)


def _wrong(found: str, path: str) -> PackageError:
    return PackageError(found, "a screening kept by screen --save", _ADVICE, path)


def plain(value: Any) -> Any:
    """Fields of a screening as what JSON can hold: dataclasses to dicts, tuples to lists."""
    if isinstance(value, Facts):
        return asdict(value)
    if isinstance(value, tuple):
        return [plain(one) for one in value]
    return asdict(value) if hasattr(value, "__dataclass_fields__") else value


def rebuilt(raw: dict[str, Any], places: Places) -> Screening:
    """The screening of :func:`plain` fields; KeyError, TypeError or ValueError where they do not
    fit."""
    known = {field.name for field in fields(Screening)} | {"kind", "version"}
    if raw.keys() - known:
        raise ValueError(f"unknown entries {sorted(raw.keys() - known)}")
    facts = dict(raw["facts"])
    facts["layers"] = tuple(facts["layers"])
    facts["holes"] = tuple(HoleCount(**hole) for hole in facts["holes"])
    return Screening(
        package=raw["package"],
        files=tuple(FileEntry(**{**f, "evidence": tuple(f["evidence"])}) for f in raw["files"]),
        facts=Facts(**facts),
        places=places,
        reach=dict(raw["reach"]),
        measured=tuple((rule, layer) for rule, layer in raw["measured"]),
        gaps=tuple(Gap(**gap) for gap in raw["gaps"]),
        defects=tuple(_defect(d) for d in raw["defects"]),
        assumptions=tuple(Assumption(**one) for one in raw["assumptions"]),
        made_by=raw["made_by"],
    )


def _defect(raw: dict[str, Any]) -> Defect:
    ends = raw.get("ends")
    return Defect(
        **{**raw, "weight": Weight(raw["weight"]), "ends": None if ends is None else tuple(ends)}
    )


def to_arrow(places: Places) -> pa.Table:
    """Places as an Arrow table, text columns dictionary-encoded."""
    import pyarrow as pa

    columns = {}
    for name, dtype in COLUMNS.items():
        array = places[name]
        if dtype is np.object_:
            try:
                words = pa.array(array, type=pa.string())
            except UnicodeEncodeError:  # a file name with bytes that were no text
                words = pa.array([w.encode("utf-8", "surrogatepass") for w in array], pa.binary())
            columns[name] = words.dictionary_encode()
        else:
            columns[name] = pa.array(array)  # NaN stays NaN, it does not become null
    return pa.table(columns)


def _read_table(content: bytes, path: str) -> Places:
    import pyarrow as pa

    try:
        here = pa.ipc.IpcReadOptions(use_threads=False)  # to start them takes as long
        with pa.ipc.open_file(pa.BufferReader(content), options=here) as file:
            table = file.read_all()
        table.validate(full=True)  # the format trusts its offsets, we do not
    except (pa.ArrowException, OSError) as error:
        raise _wrong(f"{_TABLE} cannot be read ({error})", path) from error
    return from_arrow(table, path)


def from_arrow(table: pa.Table, path: str) -> Places:
    """Places of a table as :func:`to_arrow` makes it; PackageError naming ``path`` for another."""
    import pyarrow as pa

    if set(table.column_names) != set(COLUMNS):
        odd = sorted(set(table.column_names) ^ set(COLUMNS))
        raise _wrong(f"{_TABLE} with other columns than expected ({', '.join(odd)})", path)
    columns = {}
    for name, dtype in COLUMNS.items():
        column = table.column(name)
        if column.null_count:
            raise _wrong(f"{_TABLE} with empty cells in column {name}", path)
        try:
            if dtype is np.object_:
                columns[name] = _words(column)
            else:
                columns[name] = np.array(column.to_numpy(), dtype=dtype)
        except (pa.ArrowException, TypeError, ValueError) as error:
            raise _wrong(f"{_TABLE} with a wrong kind of column {name}", path) from error
    return Places(columns)


def _words(column: pa.ChunkedArray) -> Any:
    """A text column as objects; equal words share one object, which keeps memory small."""
    import pyarrow as pa

    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    parts = []
    for chunk in column.chunks:
        words = np.empty(len(chunk.dictionary), dtype=np.object_)
        for n, word in enumerate(chunk.dictionary.to_pylist()):
            words[n] = word.decode("utf-8", "surrogatepass") if isinstance(word, bytes) else word
        if any(not isinstance(word, str) for word in words):
            raise TypeError("a text column holds something else")
        parts.append(words.take(chunk.indices.to_numpy(zero_copy_only=False)))
    return np.concatenate(parts) if parts else np.empty(0, dtype=np.object_)
