"""What each limit of a shop costs: which jobs it alone keeps out, and which would come in.

Two questions, each with its own reasons of a job:

``hold``
    The job is on hold. Reasons: limits of which it has places that hold it (past what every tier
    takes), and rules of the data that hold it. The value moved is the loosest of the tiers'
    values, for that one decides.
``tier``
    The tier does not take the job. Reasons: limits of that tier its places are past, rules not
    measured far enough, and rules of the data that hold it.

A job counts for a moved value when its only reason is that one limit and all its places meet
the new value. In the question of the tier, a value moved the other way counts the jobs lost.
Entries of a limit with conditions (outer layers, copper) are moved one by one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from dfmcheck.capability import Limit, Range, Shop
from dfmcheck.errors import UsageError
from dfmcheck.fleet.judged import Judged
from dfmcheck.judge.limits import limit_values
from dfmcheck.measure.rule import Rule

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

LOOSER = (0.1, 0.2, 0.3, 0.4, 0.5)
"""Parts of the value a limit is moved by, towards taking more."""
TIGHTER = (0.1, 0.2)
Moves = Mapping[str, Sequence[float]]


@dataclass(frozen=True, slots=True)
class Move:
    """A limit moved to ``value``: ``jobs`` come in, or are lost where negative; None where the
    packages were not measured that far."""

    value: float
    jobs: int | None


@dataclass(frozen=True, slots=True)
class Cost:
    """What one entry of a limit costs.

    ``alone`` jobs have no other reason, ``shared`` have others too. ``steps`` are the values at
    which jobs come in one after another, with the jobs taken in by then.
    """

    rule: str
    quantity: str
    condition: str
    unit: str
    tier: str
    value: float
    at_most: bool
    alone: int
    shared: int
    moves: tuple[Move, ...]
    steps: tuple[tuple[float, int], ...] = ()


def costs(
    question: str, judged: Judged, shop: Shop, tier: str, rules: Mapping[str, Rule],
    con: DuckDBPyConnection, given: Moves,
) -> tuple[Cost, ...]:  # fmt: skip
    """Every entry that keeps a job out, dearest first. Tables of :mod:`dfmcheck.fleet.tables`
    must be in ``con``.

    ``given`` has values to try, by rule, in its unit, instead of the usual ones.
    """
    _known(given, shop)
    kept = _kept(con, question)
    taken = _taken(con) if question == "tier" else {}
    far = {
        id_: min((row["reach"].get(id_, np.inf) for row in judged.rows if row["reach"]), default=0)
        for id_ in shop.limits
    }
    out = []
    for id_, limit in shop.limits.items():
        table = limit_values(limit, shop.tiers)
        for entry in range(table.shape[1]):
            moved = _moved(table[:, entry], question, shop, tier, rules[id_])
            if moved is None:
                continue
            name, value = moved
            shared, needs = kept.get((id_, entry), (0, np.zeros(0)))
            sign = 1.0 if rules[id_].direction == "at-least" else -1.0
            values = given.get(id_) or _usual(value, sign, question)
            if question == "hold":
                values = [v for v in values if sign * v <= sign * value]
            moves = _moves(values, value, sign, needs, taken.get((id_, entry), np.zeros(0)))
            known = _measured_to(shop, rules[id_], limit, far[id_])
            moves = tuple(Move(m.value, m.jobs if m.value <= known else None) for m in moves)
            if len(needs) or shared or any(move.jobs for move in moves):
                steps = tuple((float(sign * need), n) for n, need in enumerate(needs, start=1))
                out.append(
                    Cost(
                        id_, rules[id_].quantity, condition(limit, entry), rules[id_].unit, name,
                        value, sign < 0, len(needs), shared, moves, steps,
                    )
                )  # fmt: skip
    return tuple(sorted(out, key=lambda one: (-one.alone, -one.shared, one.rule, one.condition)))


def _kept(con: DuckDBPyConnection, question: str) -> dict[tuple[str, int], tuple[int, Any]]:
    """Jobs that an entry keeps out with others, and the needs of those it alone keeps out,
    mildest first."""
    rows = con.execute(
        "select rule, entry, count(*) filter (reasons > 1), "
        "list(need order by need desc) filter (reasons = 1) "
        "from reasons join reason_counts using (question, job) "
        "where question = $question and entry >= 0 group by rule, entry",
        {"question": question},
    ).fetchall()
    return {(rule, entry): (shared, np.array(needs or [])) for rule, entry, shared, needs in rows}


def _taken(con: DuckDBPyConnection) -> dict[tuple[str, int], Any]:
    """By entry, the needs of the jobs the tier takes."""
    rows = con.execute(
        "select rule, entry, list(need) from needs join taken using (job) group by rule, entry"
    ).fetchall()
    return {(rule, entry): np.array(needs) for rule, entry, needs in rows}


def _moves(
    values: Sequence[float], now: float, sign: float, needs: Any, taken: Any
) -> tuple[Move, ...]:
    """The limit at each value, from the tightest."""
    out = []
    for value in sorted(values, key=lambda v: -sign * v):
        if sign * value <= sign * now:
            out.append(Move(value, int((needs >= sign * value).sum())))
        else:
            out.append(Move(value, -int((taken < sign * value).sum())))
    return tuple(out)


def _measured_to(shop: Shop, rule: Rule, limit: Limit, far: float) -> float:
    """The largest limit that every package was measured far enough for."""
    if rule.unit != "mm" or rule.direction != "at-least":
        return np.inf
    return far - shop.reach_of(limit, (0.0,)) + 1e-6


def _known(given: Moves, shop: Shop) -> None:
    for id_ in given:
        if id_ not in shop.limits:
            raise UsageError(
                f"--sweep {id_}: shop {shop.name} has no such limit",
                "a rule the shop limits",
                "`dfmcheck explain` lists the rules.",
            )


def _moved(
    values: Any, question: str, shop: Shop, tier: str, rule: Rule
) -> tuple[str, float] | None:
    """Tier and value that the question is about, None where there is none."""
    if question == "tier":
        value = float(values[shop.tiers.index(tier)])
        return None if np.isnan(value) else (tier, value)
    if np.isnan(values).all():
        return None
    sign = 1.0 if rule.direction == "at-least" else -1.0
    loosest = np.nanmin(sign * values)
    at = int(np.flatnonzero(sign * values == loosest)[-1])
    return shop.tiers[at], float(values[at])


def _usual(value: float, sign: float, question: str) -> list[float]:
    if value == 0:  # a part of nothing is nothing
        return []
    tighter = [] if question == "hold" else [value * (1 + sign * part) for part in TIGHTER]
    return [round(v, 6) for v in (*tighter, *(value * (1 - sign * part) for part in LOOSER))]


def condition(limit: Limit, entry: int) -> str:
    """The conditions of an entry in words, "" for the base values.

    Examples
    --------
    >>> from dfmcheck.capability import Variant
    >>> base = {"rule": "a", "unit": "mm", "direction": "at-least", "allowance": "none"}
    >>> thick = Variant(values={}, position="outer", copper_um=Range(min=60))
    >>> condition(Limit(**base, values={}, variants=(thick,)), 1)
    'outer, copper from 60 µm'
    """
    if entry == 0:
        return ""
    variant = limit.variants[entry - 1]
    words: list[str] = []
    if variant.position is not None:
        words.append(variant.position)
    if variant.plated is not None:
        words.append("plated" if variant.plated else "unplated")
    if variant.kind is not None:
        words.append(variant.kind.replace("-to-", " to "))
    for name, span, unit in (
        ("copper", variant.copper_um, "µm"), ("hole", variant.hole, "mm"),
        ("depth", variant.depth, "mm"), ("voltage", variant.volts, "V"),
    ):  # fmt: skip
        if span is not None:
            words.append(f"{name} {_span(span, unit)}")
    return ", ".join(words)


def _span(span: Range, unit: str) -> str:
    if span.min is not None and span.max is not None:
        return f"{span.min:g} to {span.max:g} {unit}"
    if span.min is not None:
        return f"from {span.min:g} {unit}"
    return f"to {span.max:g} {unit}"
