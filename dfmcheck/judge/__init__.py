"""Judging: measurements against one shop's limits. No geometry is needed here."""

from dfmcheck.judge.finding import Finding, Judgement, Source, TierFit, Tightest, Verdict
from dfmcheck.judge.judging import judge

__all__ = ["Finding", "Judgement", "Source", "TierFit", "Tightest", "Verdict", "judge"]
