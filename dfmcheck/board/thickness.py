"""How thick the board is: by the user, by its own data, and which of the two counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dfmcheck.formats.ipc356 import Netlist
from dfmcheck.formats.jobfile import JobFile
from dfmcheck.terms import Assumption

SUBJECT = "board thickness"


@dataclass(frozen=True, slots=True)
class Thickness:
    """Thickness in mm that counts, that of the data alone, and the evidence; None where nobody
    states one."""

    value: float | None
    in_data: float | None
    evidence: Assumption | None


def board_thickness(
    job: JobFile | None, netlists: Sequence[Netlist], stated: float | None,
    otherwise: float | None = None,
) -> Thickness:  # fmt: skip
    """Of what is told in mm, the user's ``stated`` counts first, then what the data says, then
    the user's ``otherwise``."""
    in_data = _of_job(job) or _of_netlists(netlists)
    value, said = in_data or (None, None)
    if stated is None and value is None:
        stated = otherwise
    if stated is None:
        return Thickness(value, value, said)
    evidence = "stated by the user"
    if said is not None and value is not None and abs(value - stated) > 1e-6:
        evidence += f"; the data says {said.value} ({said.evidence})"
    return Thickness(stated, value, Assumption(SUBJECT, f"{stated:g} mm", evidence))


def _of_job(job: JobFile | None) -> tuple[float, Assumption] | None:
    if job is None or not job.thickness:
        return None
    value = float(job.thickness)
    return value, Assumption(SUBJECT, f"{value:g} mm", "stated by the job file")


def _of_netlists(netlists: Sequence[Netlist]) -> tuple[float, Assumption] | None:
    for netlist in netlists:
        if netlist.thickness is not None:
            evidence = "stated by a comment of the netlist"
            text = f"{netlist.thickness:.4g} mm"
            return netlist.thickness, Assumption(SUBJECT, text, evidence, netlist.file, 0.85)
    return None
