"""The tables of judged jobs that questions are put to, in DuckDB.

::

    jobs           job, package, customer, state, reason, verdict, doubts
    fits           job, tier, takes
    findings       job, rule, severity, places
    needs          job, rule, entry, need            of every job and entry of a limit
    reasons        question, job, rule, entry, need  entry -1 and no need: not a limit's
    reason_counts  question, job, reasons
    taken          job                               the tier judged takes it, and data is sound
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from dfmcheck.capability import Shop
from dfmcheck.fleet.dataset import SCREENED
from dfmcheck.fleet.judged import Judged
from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Weight

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


def lay(
    judged: Judged, shop: Shop, tier: str, rules: Mapping[str, Rule], con: DuckDBPyConnection
) -> None:
    """Make the tables from judged jobs."""
    numbers = np.arange(len(judged.rows))
    _table(
        con, "jobs",
        job=numbers,
        **{name: [row[name] or "" for row in judged.rows]
           for name in ("package", "customer", "state", "reason")},
        verdict=judged.verdict,
        doubts=[len(one) for one in judged.doubts],
    )  # fmt: skip
    _table(
        con, "fits",
        job=np.tile(numbers, len(shop.tiers)),
        tier=np.repeat(np.array(shop.tiers, dtype=object), len(numbers)),
        takes=judged.fits.ravel(),
    )  # fmt: skip
    _findings(judged, con)
    _reasons(judged, shop, tier, rules, con)


def _findings(judged: Judged, con: DuckDBPyConnection) -> None:
    groups, names = judged.groups, np.array(judged.rules, dtype=object)
    parts = [("hold", groups.hold), ("query", groups.query), ("note", groups.note)]
    found = [(severity, np.flatnonzero(places), places) for severity, places in parts]
    _table(
        con, "parts",
        job=_joined([groups.job[at] for _, at, _ in found], [one[0] for one in judged.data]),
        rule=_joined([names[groups.rule[at]] for _, at, _ in found], [d[1] for d in judged.data]),
        severity=_joined(
            [np.full(len(at), severity, dtype=object) for severity, at, _ in found],
            [one[2] for one in judged.data],
        ),
        places=_joined([places[at] for _, at, places in found], [one[3] for one in judged.data]),
    )  # fmt: skip
    con.execute(
        "create table findings as select job, rule, severity, cast(sum(places) as bigint) as "
        "places from parts group by all"
    )


def _reasons(
    judged: Judged, shop: Shop, tier: str, rules: Mapping[str, Rule], con: DuckDBPyConnection
) -> None:
    groups, names = judged.groups, np.array(judged.rules, dtype=object)
    chosen = shop.tiers.index(tier)
    counts = np.array([rules[id_].weight > Weight.NOTE for id_ in judged.rules])[groups.rule]
    _table(
        con, "grouped",
        job=groups.job, rule=names[groups.rule], entry=groups.entry, need=groups.need,
        kept=(groups.fails[chosen] > 0) & counts, counts=counts, held=groups.hold > 0,
    )  # fmt: skip
    short = [(job, id_) for job, number, id_ in judged.short if number == chosen]
    _table(con, "short", job=[job for job, _ in short], rule=[id_ for _, id_ in short])
    held = [(job, id_) for job, id_, severity, _ in judged.data if severity == "hold"]
    _table(con, "held_data", job=[job for job, _ in held], rule=[id_ for _, id_ in held])
    con.execute(
        "create table needs as select job, rule, entry, min(need) as need from grouped "
        "where counts group by all"
    )
    con.execute(
        """
        create table reasons as
        with bad as (
            select distinct job, rule from held_data
            union all select job, '' from jobs where state <> 'screened' and verdict = 'hold'
        )
        select 'hold' as question, job, rule, entry, min(need) as need from grouped where held
        group by all
        union all select 'tier', job, rule, entry, min(need) from grouped where kept group by all
        union all select 'tier', job, rule, -1, null from short
        union all select q, job, rule, -1, null from bad, (values ('hold'), ('tier')) as v(q)
        """
    )
    con.execute(
        "create table reason_counts as select question, job, count(*) as reasons from reasons "
        "group by all"
    )
    con.execute(
        "create table taken as select job from jobs anti join reason_counts r "
        "on r.job = jobs.job and r.question = 'tier' "
        "where state = $screened and job in (select job from fits where tier = $tier and takes)",
        {"screened": SCREENED, "tier": tier},
    )


def _joined(parts: list[Any], more: list[Any]) -> list[Any]:
    return [value for part in (*parts, more) for value in part]


def _table(con: DuckDBPyConnection, name: str, **columns: Any) -> None:
    import pyarrow as pa

    types = {
        "job": pa.int64(), "entry": pa.int64(), "places": pa.int64(), "doubts": pa.int64(),
        "need": pa.float64(), "takes": pa.bool_(), "kept": pa.bool_(), "counts": pa.bool_(),
        "held": pa.bool_(),
    }  # fmt: skip
    table = pa.table({n: pa.array(c, types.get(n, pa.string())) for n, c in columns.items()})
    con.register("incoming", table)
    con.execute(f"create table {name} as select * from incoming")
    con.unregister("incoming")
