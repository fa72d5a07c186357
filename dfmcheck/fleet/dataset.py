"""The data set on disk.

::

    DATASET/places/customer=NAME/KEY.parquet   every measured place of one package
    DATASET/jobs/customer=NAME/KEY.parquet     one row: what else is known of it, and its verdict

KEY is made from the path of the package below the folder screened, so a package has one place
however often it is screened, and a new revision takes the place of the old one. Both files are
written beside their place and moved there whole; the row in ``jobs`` comes last, and only a
package that has one counts. Columns of places are those of :data:`dfmcheck.measure.places.COLUMNS`
with ``package, customer, key, hash, made_by`` before them.
"""

from __future__ import annotations

import fcntl
import hashlib
import io
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from dfmcheck.errors import UsageError
from dfmcheck.fleet.statements import NOTHING, Statement, statement_from
from dfmcheck.measure.places import Places
from dfmcheck.measure.screening import Screening

if TYPE_CHECKING:
    import pyarrow as pa

    from dfmcheck.capability import Shop

JOBS, PLACES = "jobs", "places"
SCREENED, UNREADABLE = "screened", "unreadable"
FINAL = (SCREENED, UNREADABLE)
"""States another run would not change: those of the data, not of the machine."""

FAILURES = {
    UNREADABLE: "cannot be opened",
    "crash": "the process that screened it ended",
    "timeout": "took too long",
    "memory": "needed too much memory",
    "too-large": "too large to be sent to a worker",
    "error": "error of the tool",
}
LATER = ("stated",)
"""Columns of ``jobs`` that data sets made before statements have not."""
_NESTED = ("measured", "gaps", "defects", "assumptions", "files")


@dataclass(frozen=True, slots=True)
class Identity:
    """What a package is called in the data set."""

    package: str
    customer: str
    key: str
    hash: str


@dataclass(frozen=True, slots=True)
class Known:
    """What the data set says of a package already there."""

    hash: str
    made_by: str
    state: str
    shop: str  # mark of the shop judged for
    tier: str
    reach: dict[str, float]
    verdict: str = ""
    reason: str = ""
    customer: str = ""
    stated: Statement = NOTHING
    data_thickness: float | None = None  # by the package's own data


def key_of(package: str) -> str:
    """File name of a package in the data set."""
    return hashlib.sha256(package.encode()).hexdigest()[:24]


def mark(shop: Shop) -> str:
    """Tells one shop's content from another's, wherever its file lies."""
    return hashlib.sha256(shop.content().encode()).hexdigest()[:16]


class Dataset:
    """A data set in a folder; nothing is read or written before it is asked for."""

    def __init__(self, root: Path) -> None:
        self.root = root

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the data set alone; what a killed run left half-written is cleared away.

        The lock ends with the process, however it ends. Raises UsageError when another run
        holds it, or nothing can be written.
        """
        try:
            self.root.mkdir(parents=True, exist_ok=True)
            lock = (self.root / ".lock").open("w")
        except OSError as error:
            raise UsageError(
                f"cannot be written ({error.strerror})", "a folder for the data set",
                "Give another place.", file=str(self.root),
            ) from error  # fmt: skip
        with lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                raise UsageError(
                    "another run is writing this data set", "a data set nobody writes",
                    "Wait until it has ended, or give another place.", file=str(self.root),
                ) from error  # fmt: skip
            for left in self.root.glob("*/*/*.part"):
                left.unlink()
            yield

    def write(
        self, identity: Identity, job: bytes, places: bytes | None, *, keep: bool = False,
        before: Identity | None = None,
    ) -> None:  # fmt: skip
        """Put a package in its place. ``keep``: the places that are there stay, where none are
        given; ``before`` tells where the package lies so far, if that is of another customer."""
        # an older row must not stand beside newer places, not even for a moment
        for old in {identity, before or identity}:
            if places is not None or not keep or old != identity:
                self._file(JOBS, old).unlink(missing_ok=True)
                self._file(PLACES, old).unlink(missing_ok=True)
        if places is not None:
            self._put(PLACES, identity, places)
        self._put(JOBS, identity, job)

    def read(self, identity: Identity) -> tuple[bytes, bytes]:
        """The row and the places of a package, as written."""
        row, places = (self._file(kind, identity).read_bytes() for kind in (JOBS, PLACES))
        return row, places

    def _file(self, kind: str, identity: Identity) -> Path:
        name = quote(identity.customer, safe=" ()+,")
        if len(name) > 200:
            name = f"{name[:100]}…{key_of(name)}"
        return self.root / kind / f"customer={name}" / f"{identity.key}.parquet"

    def _put(self, kind: str, identity: Identity, content: bytes) -> None:
        path = self._file(kind, identity)
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(path.name + ".part")
        with part.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)

    def files(self, kind: str) -> list[Path]:
        return sorted(self.root.glob(f"{kind}/customer=*/*.parquet"))

    def known(self) -> dict[str, Known]:
        """Packages already there, by key."""
        names = [
            "hash", "made_by", "state", "shop_mark", "tier", "reach", "verdict", "reason",
            "customer", "stated", "facts",
        ]  # fmt: skip
        rows = self.jobs(["key", *names]).to_pylist()
        return {
            row["key"]: Known(
                row["hash"], row["made_by"], row["state"], row["shop_mark"], row["tier"],
                dict(row["reach"]), row["verdict"] or "", row["reason"] or "", row["customer"],
                statement_from(row["stated"]), facts_of(row)["data_thickness"],
            )
            for row in rows
        }  # fmt: skip

    def jobs(self, columns: list[str] | None = None) -> pa.Table:
        """Rows of all packages, sorted by package. UsageError names a file that is damaged."""
        import pyarrow as pa
        import pyarrow.parquet as parquet

        wanted = job_schema()
        if columns is not None:
            wanted = pa.schema([wanted.field(name) for name in columns])
        parts = []
        for file in self.files(JOBS):
            try:
                parts.append(_fitted(parquet.ParquetFile(file).read(wanted.names), wanted))
            except (pa.ArrowException, OSError, KeyError, ValueError) as error:
                raise damaged(file, error) from error
        return pa.concat_tables(parts) if parts else wanted.empty_table()


def damaged(file: Path, error: Exception) -> UsageError:
    reason = " ".join(str(error).split())[:200]
    return UsageError(
        f"the file cannot be read ({reason})",
        "a Parquet file of this version's data set",
        "Delete it and run `dfmcheck fleet` again: it screens the package anew.",
        file=str(file),
    )


def job_schema() -> pa.Schema:
    """Columns of ``jobs``. ``facts`` and ``stated`` (a :class:`Statement`) are JSON; ``reasons``
    are those of the verdict."""
    import pyarrow as pa

    text, whole, real = pa.string(), pa.int64(), pa.float64()

    def rows(**columns: pa.DataType) -> pa.DataType:
        return pa.list_(pa.struct(list(columns.items())))

    return pa.schema(
        {
            "package": text, "customer": text, "key": text, "hash": text, "made_by": text,
            "state": text, "reason": text,
            "verdict": text, "shop": text, "shop_mark": text, "tier": text, "fits": text,
            "holds": whole, "queries": whole, "notes": whole, "reasons": pa.list_(text),
            "places": whole, "seconds": real, "memory_mb": real,
            "reach": pa.map_(text, real),
            "measured": rows(rule=text, layer=text),
            "gaps": rows(rule=text, layer=text, reason=text),
            "defects": rows(
                rule=text, weight=whole, found=text, expected=text, action=text, file=text,
                line=whole, layer=text, x=real, y=real, ends=pa.list_(real), detail=text,
            ),
            "assumptions": rows(
                subject=text, value=text, evidence=text, file=text, confidence=real
            ),
            "stated": text,
            "files": rows(
                name=text, role=text, format=text, confidence=real, evidence=pa.list_(text),
                size=whole, read=pa.bool_(),
            ),
            "facts": text,
        }
    )  # fmt: skip


def _fitted(table: pa.Table, wanted: pa.Schema) -> pa.Table:
    """The table with the columns wanted; those that older data sets have not are empty."""
    import pyarrow as pa

    for name in LATER:
        if name in wanted.names and name not in table.column_names:
            field = wanted.field(name)
            table = table.append_column(field, pa.nulls(len(table), field.type))
    return table.select(wanted.names).cast(wanted)


def job_bytes(row: dict[str, Any]) -> bytes:
    """One row of ``jobs`` as a Parquet file; columns not given are empty."""
    import pyarrow as pa

    schema = job_schema()
    empty: dict[str, Any] = {"reach": [], "reasons": [], **{name: [] for name in _NESTED}}
    whole = {name: _clean(row.get(name, empty.get(name))) for name in schema.names}
    return _parquet(pa.Table.from_pylist([whole], schema=schema))


def row_from(content: bytes) -> dict[str, Any]:
    """The row of a package of the data set."""
    import pyarrow.parquet as parquet

    table = _fitted(parquet.ParquetFile(io.BytesIO(content)).read(), job_schema())
    row: dict[str, Any] = table.to_pylist()[0]
    return row


def screening_row(screening: Screening) -> dict[str, Any]:
    """The columns of ``jobs`` that hold a screening."""
    from dfmcheck.measure import store

    row: dict[str, Any] = {
        field.name: store.plain(getattr(screening, field.name))
        for field in fields(Screening)
        if field.name not in ("places", "drawing", "package")
    }
    row["measured"] = [{"rule": rule, "layer": layer} for rule, layer in screening.measured]
    row["reach"] = list(screening.reach.items())
    row["facts"] = json.dumps(row["facts"])
    row["places"] = len(screening.places)
    return row


def screening_of(row: dict[str, Any], places: Places) -> Screening:
    """The screening of a row of ``jobs``."""
    from dfmcheck.measure import store

    raw = {name: row[name] for name in ("package", "made_by", *_NESTED)}
    raw["measured"] = [(one["rule"], one["layer"]) for one in row["measured"]]
    raw["reach"] = dict(row["reach"])
    raw["facts"] = facts_of(row)
    return store.rebuilt(raw, places)


def facts_of(row: dict[str, Any]) -> dict[str, Any]:
    """The facts of a row of ``jobs``; of one not screened only that nothing is known."""
    facts: dict[str, Any] = json.loads(row["facts"] or "{}")
    # before anything could be stated of a package, all thickness was the data's
    facts.setdefault("data_thickness", facts.get("thickness"))
    return facts


def places_bytes(places: Places, identity: Identity, made_by: str) -> bytes:
    """The places of a package as a Parquet file."""
    import pyarrow as pa

    from dfmcheck.measure import store

    table = store.to_arrow(_without_surrogates(places))
    same = {**{f.name: getattr(identity, f.name) for f in fields(Identity)}, "made_by": made_by}
    for place, (name, word) in enumerate(same.items()):
        column = pa.DictionaryArray.from_arrays(
            pa.array([0] * len(places), pa.int32()), pa.array([_clean(word)])
        )
        table = table.add_column(place, name, column)
    return _parquet(table)


def places_from(content: bytes) -> Places:
    """The places of a package of the data set."""
    import pyarrow.parquet as parquet

    from dfmcheck.measure import store
    from dfmcheck.measure.places import COLUMNS

    table = parquet.ParquetFile(io.BytesIO(content)).read(columns=list(COLUMNS))
    return store.from_arrow(table, "places")


def _parquet(table: pa.Table) -> bytes:
    import pyarrow.parquet as parquet

    out = io.BytesIO()
    parquet.write_table(table, out, compression="zstd")
    return out.getvalue()


def _without_surrogates(places: Places) -> Places:
    """Text columns must be text in every file, or they could not be read together."""
    import numpy as np

    columns = dict(places.columns)
    for name, column in columns.items():
        if column.dtype != np.object_:
            continue
        words = set(column.tolist())
        bad = {word: _clean(word) for word in words if _clean(word) != word}
        if bad:
            column = column.copy()
            for row, word in enumerate(column):
                column[row] = bad.get(word, word)
            columns[name] = column
    return Places(columns)


def _clean(value: Any) -> Any:
    if isinstance(value, str):
        return value if value.isascii() else value.encode("utf-8", "replace").decode()
    if isinstance(value, dict):
        return {name: _clean(one) for name, one in value.items()}
    if isinstance(value, tuple):
        return tuple(_clean(one) for one in value)
    if isinstance(value, list):
        return [_clean(one) for one in value]
    return value
