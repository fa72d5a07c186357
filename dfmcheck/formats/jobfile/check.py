"""Contradictions inside one job file."""

from __future__ import annotations

import re
from dataclasses import replace

from dfmcheck.formats.jobfile.records import JobFile
from dfmcheck.terms import Defect, Weight

_THICKNESS_SLACK = 0.10  # of the board thickness: its usual tolerance (common practice)
_FOIL_UM = (3.0, 450.0)  # finished copper of the trade, µm (common practice)
_BUILT_IN = {"copper", "dielectric", "soldermask"}


def contradictions(job: JobFile) -> JobFile:
    """The job file with a defect for everything in it that contradicts the rest."""
    defects = list(job.defects)

    def say(found: str, expected: str) -> None:
        action = "Ask which counts; neither is corrected."
        rule = "data.job-contradiction"
        defects.append(Defect(rule, Weight.QUERY, found, expected, action, job.file))

    conductors = [
        int(m[1])
        for fields in job.file_functions.values()
        if len(fields) > 1
        and fields[0].lower() == "copper"
        and (m := re.fullmatch(r"[Ll](\d{1,9})", fields[1]))
    ]
    if job.layer_count is not None:
        if conductors and max(conductors) != job.layer_count:
            say(
                f"layer count {job.layer_count}",
                f"{max(conductors)}, the last copper file listed being L{max(conductors)}",
            )
        if job.copper_um and len(job.copper_um) != job.layer_count:
            say(
                f"layer count {job.layer_count}",
                f"{len(job.copper_um)}, the number of copper entries in the stack",
            )
    for number in sorted(set(conductors)):
        if conductors.count(number) > 1:
            say(f"{conductors.count(number)} files listed as copper L{number}", "one")
    built = [e for e in job.stack if e.type.lower() in _BUILT_IN]
    complete = [e.thickness for e in built if e.thickness is not None]
    if job.thickness and built and len(complete) == len(built):
        total = sum(complete)
        if abs(total - job.thickness) > _THICKNESS_SLACK * job.thickness:
            say(f"board thickness {job.thickness:g} mm", f"{total:.3g} mm, the sum of the stack")
    for number, um in enumerate(job.copper_um, 1):
        if um is not None and not _FOIL_UM[0] <= um <= _FOIL_UM[1]:
            say(
                f"copper {number} of the stack is {um:g} µm thick",
                f"{_FOIL_UM[0]:g} to {_FOIL_UM[1]:g} µm",
            )
    return replace(job, defects=tuple(defects))
