"""The answers about a data set: how its jobs stand against a shop, and what its limits cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dfmcheck.capability import Shop
from dfmcheck.errors import UsageError
from dfmcheck.fleet.costs import Cost, Moves, costs
from dfmcheck.fleet.dataset import SCREENED, Dataset, facts_of
from dfmcheck.fleet.judged import Judged, judge_all
from dfmcheck.fleet.statements import statement_from
from dfmcheck.fleet.tables import lay
from dfmcheck.judge.limits import limit_by_copper
from dfmcheck.measure.rule import Rule

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

VERDICTS = ("release", "query", "hold")


@dataclass(frozen=True, slots=True)
class Failure:
    """A package without measurements: it cannot be opened, or the machine failed at it."""

    package: str
    customer: str
    state: str
    reason: str


@dataclass(frozen=True, slots=True)
class TierShare:
    """Jobs a tier takes, and those for which it is the least demanding that does."""

    tier: str
    takes: int
    first: int


@dataclass(frozen=True, slots=True)
class Common:
    """How often a rule has findings of one severity."""

    rule: str
    quantity: str
    severity: str
    jobs: int
    places: int


@dataclass(frozen=True, slots=True)
class CustomerRow:
    """One customer folder; ``commonest`` are the rules most of its jobs have findings of."""

    customer: str
    jobs: int
    verdicts: dict[str, int]
    not_screened: int
    commonest: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class KeptBy:
    """Jobs on hold, or out of the tier, by their reasons: one limit alone, several limits, one or
    more faults of the data (or a lack of measurements) and nothing else, or both."""

    jobs: int
    one_limit: int
    several_limits: int
    data: int
    both: int


@dataclass(frozen=True, slots=True)
class Fact:
    """How many screened jobs have a fact from their own data, from a statement of the user, or
    not at all; ``without`` tells what that means for them."""

    fact: str
    data: int
    stated: int
    missing: int
    without: str


@dataclass(frozen=True, slots=True)
class Study:
    """All answers. ``verdicts`` sum up to ``jobs`` less ``not_screened``; ``unopened`` of the
    holds are packages that could not be opened; ``doubted`` jobs were not wholly measured."""

    dataset: str
    shop: str
    title: str
    tier: str
    tiers: tuple[str, ...]
    made_by: tuple[str, ...]
    jobs: int
    verdicts: dict[str, int]
    not_screened: int
    unopened: int
    doubted: int
    doubts: tuple[tuple[str, int], ...]
    facts: tuple[Fact, ...]
    tier_shares: tuple[TierShare, ...]
    no_tier: int
    common: tuple[Common, ...]
    customers: tuple[CustomerRow, ...]
    holds: tuple[Cost, ...]
    tier_costs: tuple[Cost, ...]
    held_by: KeptBy
    kept_out_by: KeptBy
    failures: tuple[Failure, ...]


def study(
    folder: Path, shop: Shop, rules: Mapping[str, Rule], *, tier: str | None = None,
    moves: Moves | None = None,
) -> Study:  # fmt: skip
    """Judge all packages of a data set against a shop and put the questions.

    Parameters
    ----------
    folder : Path
        A data set written by `fleet`.
    shop : Shop
    rules : mapping of rule id to Rule
    tier : str, optional
        The shop's default tier when left out.
    moves : mapping of rule id to values, optional
        Values to try for a limit, in the rule's unit, in place of the usual ones.

    Raises
    ------
    UsageError
        No data set, a damaged one, or the shop has no such tier or limit.
    """
    try:
        import duckdb
    except ImportError as error:
        raise UsageError(
            "DuckDB is not installed", "the extra 'fleet'", "Run pip install 'dfmcheck[fleet]'."
        ) from error
    store = Dataset(folder)
    if not store.files("jobs"):
        raise UsageError(
            "it holds no package",
            "a data set written by `dfmcheck fleet`",
            "Screen a folder first: dfmcheck fleet FOLDER --shop SHOP --out DATASET.",
            file=str(folder),
        )
    chosen = tier_of(shop, tier)
    with duckdb.connect() as con:
        judged = judge_all(store, shop, chosen, rules, con)
        lay(judged, shop, chosen, rules, con)
        return _answers(folder, judged, shop, chosen, rules, con, moves or {})


def tier_of(shop: Shop, tier: str | None) -> str:
    """The tier named, or the shop's default. UsageError where the shop has none such."""
    if tier is None:
        return shop.default_tier
    if tier not in shop.tiers:
        raise UsageError(
            f"shop {shop.name} has no tier '{tier}'",
            "one of " + ", ".join(shop.tiers),
            "Choose one of them.",
        )
    return tier


def _answers(
    folder: Path, judged: Judged, shop: Shop, tier: str, rules: Mapping[str, Rule],
    con: DuckDBPyConnection, moves: Moves,
) -> Study:  # fmt: skip
    def ask(query: str) -> list[tuple[Any, ...]]:
        return con.execute(query).fetchall()

    def count(query: str) -> int:
        return int(ask(query)[0][0])

    by_verdict = {row[0]: row[1] for row in ask("select verdict, count(*) from jobs group by 1")}
    return Study(
        dataset=str(folder),
        shop=shop.name,
        title=shop.title,
        tier=tier,
        tiers=shop.tiers,
        made_by=tuple(sorted({row["made_by"] for row in judged.rows})),
        jobs=len(judged.rows),
        verdicts={name: by_verdict.get(name, 0) for name in VERDICTS},
        not_screened=by_verdict.get("", 0),
        unopened=count("select count(*) from jobs where state = 'unreadable'"),
        doubted=count("select count(*) from jobs where doubts > 0"),
        doubts=_doubts(judged),
        facts=_facts(judged, shop),
        tier_shares=_tier_shares(judged, shop),
        no_tier=count(
            "select count(*) from (select job from fits join jobs using (job) where state = "
            "'screened' group by job having not bool_or(takes))"
        ),
        common=tuple(
            Common(id_, rules[id_].quantity if id_ in rules else "", severity, jobs, int(places))
            for id_, severity, jobs, places in ask(
                "select rule, severity, count(*) as jobs, sum(places) from findings "
                "group by rule, severity order by jobs desc, rule, severity"
            )
        ),
        customers=_customers(con),
        holds=costs("hold", judged, shop, tier, rules, con, moves),
        tier_costs=costs("tier", judged, shop, tier, rules, con, moves),
        held_by=_kept_by(con, "hold"),
        kept_out_by=_kept_by(con, "tier"),
        failures=tuple(
            Failure(*row)
            for row in ask(
                "select package, customer, state, reason from jobs where state <> 'screened' "
                "order by package"
            )
        ),
    )  # fmt: skip


def _kept_by(con: DuckDBPyConnection, question: str) -> KeptBy:
    counts = con.execute(
        """
        select count(*), count(*) filter (limits = 1 and data = 0),
            count(*) filter (limits > 1 and data = 0), count(*) filter (limits = 0),
            count(*) filter (limits > 0 and data > 0)
        from (select job, count(*) filter (entry >= 0) as limits,
                  count(*) filter (entry < 0) as data
              from reasons where question = $question group by job)
        """,
        {"question": question},
    ).fetchone()
    return KeptBy(*(counts or (0, 0, 0, 0, 0)))


def _doubts(judged: Judged) -> tuple[tuple[str, int], ...]:
    """What was not measured, with the number of jobs, commonest first."""
    seen: dict[str, int] = {}
    for reasons in judged.doubts:
        for reason in set(reasons):
            seen[reason] = seen.get(reason, 0) + 1
    return tuple(sorted(seen.items(), key=lambda item: (-item[1], item[0])))


def _facts(judged: Judged, shop: Shop) -> tuple[Fact, ...]:
    rows = [row for row in judged.rows if row["state"] == SCREENED]
    several = [one for one in rows if _several_boards(one)]
    whole = [one for one in rows if not _several_boards(one)]
    thick = copper = board = own = 0
    for row in whole:
        stated, told = statement_from(row.get("stated")), facts_of(row)
        in_data = stated.thickness_for(told["data_thickness"]) is None
        own += in_data and told["thickness"] is not None
        thick += not in_data
        copper += told["outer_copper_um"] is not None
        board += bool(stated.board)
    by_copper = [id_ for id_, limit in shop.limits.items() if limit_by_copper(limit)]
    out = [
        Fact(
            "board thickness", own, thick, len(whole) - own - thick,
            "drill.aspect-ratio is not measured on plated holes",
        )
    ]  # fmt: skip
    if by_copper:
        words = f"the limits for the shop's base copper are used ({', '.join(by_copper)})"
        out.append(Fact("finished copper", 0, copper, len(whole) - copper, words))
    if several or board:
        words = "packages of several boards are not measured"
        out.append(Fact("which board", 0, board, len(several), words))
    return tuple(out)


def _several_boards(row: dict[str, Any]) -> bool:
    return any(not gap["rule"] and "several boards" in gap["reason"] for gap in row["gaps"])


def _tier_shares(judged: Judged, shop: Shop) -> tuple[TierShare, ...]:
    before = judged.fits[:1].any(axis=0) & False
    out = []
    for tier, takes in zip(shop.tiers, judged.fits, strict=True):
        out.append(TierShare(tier, int(takes.sum()), int((takes & ~before).sum())))
        before = before | takes
    return tuple(out)


def _customers(con: DuckDBPyConnection) -> tuple[CustomerRow, ...]:
    rows = con.execute(
        """
        select customer, count(*), count(*) filter (verdict = 'release'),
            count(*) filter (verdict = 'query'), count(*) filter (verdict = 'hold'),
            count(*) filter (verdict = '')
        from jobs group by customer order by count(*) desc, customer
        """
    ).fetchall()
    common: dict[str, list[tuple[str, int]]] = {}
    for customer, rule, jobs in con.execute(
        """
        select customer, rule, count(distinct job) as jobs from findings join jobs using (job)
        where severity <> 'note' group by customer, rule order by jobs desc, rule
        """
    ).fetchall():
        common.setdefault(customer, []).append((rule, jobs))
    return tuple(
        CustomerRow(
            customer, jobs, dict(zip(VERDICTS, verdicts, strict=True)), left,
            tuple(common.get(customer, ())[:3]),
        )
        for customer, jobs, *verdicts, left in rows
    )  # fmt: skip
