"""Whose word on the board's thickness counts, and that the other's is told."""

from __future__ import annotations

import pytest

from dfmcheck.board.thickness import board_thickness
from dfmcheck.formats.jobfile import read_job

JOB = read_job(
    b'{"Header": {}, "GeneralSpecs": {"BoardThickness": 1.6, "LayerNumber": 2}}', "buoy.gbrjob"
)


@pytest.mark.parametrize(
    ("job", "stated", "otherwise", "counts", "in_data", "told"),
    [
        (None, None, None, None, None, None),
        (None, None, 1.0, 1.0, None, "stated by the user"),
        (None, 2.0, 1.0, 2.0, None, "stated by the user"),
        (JOB, None, None, 1.6, 1.6, "stated by the job file"),
        (JOB, None, 1.0, 1.6, 1.6, "stated by the job file"),
        (JOB, 1.6, None, 1.6, 1.6, "stated by the user"),
        (
            JOB, 2.0, 1.0, 2.0, 1.6,
            "stated by the user; the data says 1.6 mm (stated by the job file)",
        ),
    ],
)  # fmt: skip
def test_the_user_then_the_data_then_what_holds_otherwise(
    job: object, stated: float, otherwise: float, counts: float, in_data: float, told: str
) -> None:
    found = board_thickness(job, (), stated, otherwise)  # type: ignore[arg-type]
    assert (found.value, found.in_data) == (counts, in_data)
    assert (found.evidence and found.evidence.evidence) == told
    if found.evidence:
        assert found.evidence.value == f"{counts:g} mm"
