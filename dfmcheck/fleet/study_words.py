"""Sentences and numbers of a study, the same on the terminal and in HTML."""

from __future__ import annotations

from dfmcheck.fleet.costs import Cost, Move
from dfmcheck.fleet.study import KeptBy, Study
from dfmcheck.report.text import number, plain, plural

HOLDS_HELP = (
    "The value is the loosest any tier has: past it nobody takes the place. Alone: jobs on hold "
    "for this limit only; at other values: how many of them would leave hold."
)
TIER_HELP = (
    "Alone: jobs that only this limit keeps out of the tier. At other values: how many more the "
    "tier would take, or would lose (-); ? where not every package was measured that far."
)
NOT_COUNTED = "a job counts once, where its only reason is that one limit"


def share(part: int, whole: int) -> str:
    """
    >>> share(1, 3), share(0, 0)
    ('33.3%', '–')
    """
    return f"{part / whole:.1%}" if whole else "–"


def value(cost: Cost, at: float) -> str:
    """A limit of a rule; more digits where a moved one needs them."""
    if cost.unit == "1":
        return f"{at:.4g}"
    text = number(at, cost.unit)
    if cost.unit == "mm" and abs(float(text.split()[0]) - at) > 1e-9:
        text = number(at, cost.unit, 4)
    return text


def title(cost: Cost) -> str:
    return f"{cost.quantity} ({cost.condition})" if cost.condition else cost.quantity


def moved(move: Move) -> str:
    if move.jobs is None:
        return "?"
    return f"+{move.jobs}" if move.jobs > 0 else str(move.jobs) if move.jobs < 0 else "·"


def headline(cost: Cost, question: str) -> str:
    """One sentence on the smallest move that lets a job in; "" where none of those tried does."""
    looser = [m for m in cost.moves if m.jobs is not None and m.jobs > 0]
    if not looser:
        return ""
    best = looser[0]
    jobs = plural(best.jobs or 0, "job")
    gains = f"takes {jobs} off hold" if question == "hold" else f"lets {jobs} into tier {cost.tier}"
    return (
        f"Moving {plain(title(cost))} from {value(cost, cost.value)} to {value(cost, best.value)} "
        f"{gains}."
    )


def kept_by(kept: KeptBy) -> str:
    """Why jobs are kept out, in one line."""
    parts = (
        (kept.one_limit, "for one limit alone"), (kept.several_limits, "for several limits"),
        (kept.data, "for the data alone"), (kept.both, "for limits and the data"),
    )  # fmt: skip
    return ", ".join(f"{count} {words}" for count, words in parts if count)


def unopened(study: Study) -> str:
    """How many of the holds are packages that could not be opened."""
    many = study.unopened != 1
    return (
        f"{study.unopened} of the holds {'are packages' if many else 'is a package'} that could "
        "not be opened"
    )


def customer(name: str) -> str:
    return plain(name) or "(no customer folder)"


def made_by(study: Study) -> str:
    return "measured by dfmcheck " + ", ".join(study.made_by)
