"""Requests made up from the interface's own description: every answer is one it describes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")

from hypothesis import HealthCheck, given, settings  # noqa: E402
from schemathesis import checks  # noqa: E402

from tests.service.gates import Gate, gate_of  # noqa: E402

DESCRIPTION = "/api/v1/openapi.json"
EXAMPLES = 40
OPERATIONS = (
    "POST /api/v1/jobs", "GET /api/v1/jobs", "GET /api/v1/jobs/{job_id}",
    "POST /api/v1/jobs/{job_id}/cancel", "DELETE /api/v1/jobs/{job_id}",
    "GET /api/v1/jobs/{job_id}/findings", "GET /api/v1/jobs/{job_id}/report",
    "GET /api/v1/jobs/{job_id}/files/{kind}", "GET /api/v1/shops",
    "GET /api/v1/findings.schema.json", "GET /api/v1/health",
)  # fmt: skip


@pytest.fixture(scope="module")
def gate(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gate]:
    made = gate_of(tmp_path_factory.mktemp("openapi") / "data", rate=1_000_000)
    yield made
    made.store.close()


@pytest.fixture(scope="module")
def operations(gate: Gate) -> dict[str, Any]:
    schema = schemathesis.openapi.from_asgi(DESCRIPTION, gate.mine.app)
    found = [result.ok() for result in schema.get_all_operations()]
    return {operation.label: operation for operation in found}


def test_the_list_of_operations_is_whole(operations: dict[str, Any]) -> None:
    assert sorted(operations) == sorted(OPERATIONS)


@pytest.mark.parametrize("keyed", [True, False], ids=["with-key", "without-key"])
@pytest.mark.parametrize("label", OPERATIONS)
def test_every_answer_is_described(
    operations: dict[str, Any], gate: Gate, label: str, keyed: bool
) -> None:
    head = {"Authorization": f"Bearer {gate.keys[0]}"} if keyed else {}
    seen: Counter[int] = Counter()
    # Which tiers a shop has, and the form of a role, are beyond what a description can say.
    unfit = [checks.positive_data_acceptance] if label.startswith("POST /api/v1/jobs") else []
    unfit += [checks.ignored_auth] if keyed else []

    @settings(
        max_examples=EXAMPLES, deadline=None, derandomize=True,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=operations[label].as_strategy())
    def ask(case: Any) -> None:
        if "job_id" in (case.path_parameters or {}) and keyed and sum(seen.values()) % 2 == 0:
            case.path_parameters["job_id"] = gate.done()  # one that is there
        answer = case.call(headers=head)
        seen[answer.status_code] += 1
        assert answer.status_code < 500, answer.text
        case.validate_response(answer, excluded_checks=unfit)

    ask()
    assert seen, "no example was made"
    if not keyed and "health" not in label and "schema" not in label:
        assert set(seen) == {401}
