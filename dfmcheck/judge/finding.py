"""What judging hands to reports."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from enum import StrEnum

from dfmcheck.judge.panels import PanelFit
from dfmcheck.measure.screening import Screening


class Verdict(StrEnum):
    """``release``: nothing to ask; ``query``: an engineer must ask or decide; ``hold``: cannot
    be built, or cannot be trusted, as sent."""

    RELEASE = "release"
    QUERY = "query"
    HOLD = "hold"


@dataclass(frozen=True, slots=True)
class Source:
    """Where a feature was drawn: ``code`` is the D-code or tool number, None where none."""

    file: str
    line: int | None = None
    code: int | None = None


@dataclass(frozen=True, slots=True)
class Waiver:
    """A finding that a named person accepted.

    ``severity`` and ``places`` are those of the finding when it was accepted; a finding that
    has become heavier or covers more places is no longer the one accepted. "" and None where
    the file does not say. ``line`` is where the entry starts in its file, 0 for none.
    """

    fingerprint: str
    rule: str
    reason: str
    name: str
    date: datetime.date
    expires: datetime.date | None = None
    severity: str = ""
    places: int | None = None
    line: int = 0


@dataclass(frozen=True, slots=True)
class WaiverUse:
    """What became of the waivers of one file.

    ``unused`` gives each waiver that does not count, and why: expired, its finding no longer
    occurs, or is not the one accepted. ``found`` says that nobody named the file: it lay beside
    the package.
    """

    file: str
    found: bool
    used: tuple[Waiver, ...]
    unused: tuple[tuple[Waiver, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """A measurement, or a data defect, that a tier does not allow.

    ``severity`` is ``note``, ``query`` or ``hold``. ``tier`` is the most capable tier that
    fails (the shop's last tier when nothing fits), "" for data defects. ``fits`` is the first
    tier that would take it, "" when none does. ``bbox`` is x0, y0, x1, y1 over all ``count``
    places; ``places`` lists them as x, y, value where there are several. ``measured`` is the
    value as judged (allowance applied); ``raw`` the value in the data. None where the finding
    has no number.
    """

    rule: str
    step: str
    severity: str
    layer: str
    nets: tuple[str, ...]
    x: float | None
    y: float | None
    bbox: tuple[float, float, float, float] | None
    line: tuple[float, float, float, float] | None  # the measured line, x y x2 y2
    measured: float | None
    raw: float | None
    uncertainty: float
    limit: float | None
    unit: str
    tier: str
    fits: str
    count: int
    fingerprint: str
    message: str
    remedy: str
    who: str
    sources: tuple[Source, ...] = ()
    places: tuple[tuple[float, float, float], ...] = ()
    waived: Waiver | None = None
    also_on: tuple[str, ...] = ()  # the other layers with a place of it, where a hole has several
    kind: str = ""  # of the worst place, in words, where it tells more than the rule: lone copper

    @property
    def every_layer(self) -> tuple[str, ...]:
        """The layer of the worst place, then the others."""
        return (self.layer, *self.also_on)


@dataclass(frozen=True, slots=True)
class Tightest:
    """The tightest value of one rule on one layer, whether or not anything fails."""

    rule: str
    layer: str
    value: float
    unit: str
    x: float
    y: float
    uncertainty: float
    limit: float | None = None  # limit of the tier judged against, None: not judged
    at_limit: bool = False


@dataclass(frozen=True, slots=True)
class TierFit:
    """How the job stands against one tier: ``places`` counts, per rule, what keeps it out.

    A waiver changes none of that, for the shop must still make the place; ``waived`` tells how
    many of the places are waived.
    """

    tier: str
    fits: bool
    places: dict[str, int] = field(default_factory=dict)
    waived: int = 0


@dataclass(frozen=True, slots=True)
class Change:
    """One spot that has to change for a tier to take the board; ``x``, ``y``, ``value`` and
    ``limit`` are of its worst place."""

    rule: str
    layer: str
    x: float | None
    y: float | None
    value: float
    limit: float
    unit: str
    places: int


@dataclass(frozen=True, slots=True)
class Blocker:
    """What one rule asks of a tier: spots to change, the places in them, the worst value.

    ``alone`` is the tier that would take the board if this rule's spots were all that changed
    (the least demanding one); "" when none would.
    """

    rule: str
    changes: int
    places: int
    value: float
    limit: float
    unit: str
    alone: str = ""


@dataclass(frozen=True, slots=True)
class ToReach:
    """What keeps the board out of one tier, in spots to change, fewest first.

    ``listed`` holds the changes, those of the rarest rule first, cut at
    :data:`dfmcheck.judge.economics.LISTED`. ``unknown`` names rules not measured far enough to
    tell. ``next_down`` marks the tier just below the least demanding one that takes the board
    (the shop's last tier when none does).
    """

    tier: str
    changes: int
    places: int
    blockers: tuple[Blocker, ...]
    listed: tuple[Change, ...]
    unknown: tuple[str, ...] = ()
    next_down: bool = False


@dataclass(frozen=True, slots=True)
class Judgement:
    """A screening judged against one shop and one of its tiers."""

    screening: Screening
    shop: str
    tier: str
    tiers: tuple[str, ...]
    verdict: Verdict
    reasons: tuple[str, ...]  # why the verdict is what it is, one sentence each
    findings: tuple[Finding, ...]
    tightest: tuple[Tightest, ...]
    tier_fit: tuple[TierFit, ...]
    panels: tuple[PanelFit, ...] = ()
    not_judged: tuple[tuple[str, str], ...] = ()  # (rule, why): measured without a limit
    to_reach: tuple[ToReach, ...] = ()  # tiers that do not take the board, least demanding first
    waivers: WaiverUse | None = None
    doubts: tuple[str, ...] = ()  # what was not measured for a release; each is a reason too
