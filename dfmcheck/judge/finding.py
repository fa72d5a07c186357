"""What judging hands to reports."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

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
    """How the job stands against one tier: ``places`` counts, per rule, what keeps it out."""

    tier: str
    fits: bool
    places: dict[str, int] = field(default_factory=dict)


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
    not_judged: tuple[tuple[str, str], ...] = ()  # (rule, why): measured without a limit
