"""The command line: exit codes, messages, files written. The stages below it are made up."""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
import types
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import dfmcheck
import dfmcheck.capability
import dfmcheck.judge
import dfmcheck.measure
import dfmcheck.measure.rule
import dfmcheck.report.shop_limits
from dfmcheck import cli
from dfmcheck.errors import PackageError, ShopFileError
from dfmcheck.judge.finding import Verdict

sys.path.insert(0, str(Path(__file__).parent / "report"))
import made_up

RUNNER = CliRunner()


class Stages:
    """The stages below the command line, recording how they were called."""

    def __init__(self) -> None:
        self.judgement = made_up.judgement()
        self.screening = made_up.screening()
        self.fails: Exception | None = None
        self.screened: dict[str, Any] = {}
        self.judged: dict[str, Any] = {}
        self.saved: list[Path] = []

    def screen(self, path: Path, **given: Any) -> Any:
        self.screened = {"path": path, **given}
        if self.fails:
            raise self.fails
        if given["progress"]:
            given["progress"]("conductor-1", 1, 2)
        return self.screening

    def inspect(self, path: Path, *, roles: Mapping[str, str], board: str | None) -> Any:
        self.screened = {"path": path, "roles": roles, "board": board}
        if self.fails:
            raise self.fails
        return self.screening

    def load_shop(self, name: str) -> Any:
        if name == "nowhere":
            raise ShopFileError("there is no shop 'nowhere'", "one of example", "Check the name.")
        return types.SimpleNamespace(
            name=name,
            title="Example Circuits",
            tiers=("standard", "fine"),
            limits={},
            limit_reach=lambda: {"etch.conductor-spacing": 0.2},
        )

    def judge(self, screening: Any, shop: Any, **given: Any) -> Any:
        self.judged = {"screening": screening, "shop": shop, **given}
        return self.judgement

    def save(self, screening: Any, path: Path) -> None:
        if path.name == "full.screening":
            raise PackageError("the disk is full", "room for the file", "Make room.", str(path))
        Path(path).write_bytes(b"kept")
        self.saved.append(path)

    def load(self, path: Path, *, drawing: bool = True) -> Any:
        return self.screening


@pytest.fixture
def stages(monkeypatch: pytest.MonkeyPatch) -> Stages:
    made = Stages()
    orchestrator: Any = types.ModuleType("dfmcheck.screen")
    orchestrator.screen, orchestrator.inspect = made.screen, made.inspect
    store: Any = types.ModuleType("dfmcheck.measure.store")
    store.save, store.load = made.save, made.load
    monkeypatch.setitem(sys.modules, "dfmcheck.screen", orchestrator)
    monkeypatch.setattr(dfmcheck, "screen", orchestrator, raising=False)
    monkeypatch.setitem(sys.modules, "dfmcheck.measure.store", store)
    monkeypatch.setattr(dfmcheck.measure, "store", store, raising=False)
    monkeypatch.setattr(dfmcheck.capability, "load_shop", made.load_shop)
    monkeypatch.setattr(dfmcheck.capability, "shop_names", lambda: ("example",))
    monkeypatch.setattr(dfmcheck.report.shop_limits, "load_shop", made.load_shop)
    monkeypatch.setattr(dfmcheck.report.shop_limits, "shop_names", lambda: ("example",))
    monkeypatch.setattr(dfmcheck.judge, "judge", made.judge)
    monkeypatch.setattr(dfmcheck.measure.rule, "rules", lambda: dict(made_up.RULES))
    return made


@pytest.fixture
def package(tmp_path: Path) -> str:
    path = tmp_path / "job.zip"
    path.write_bytes(b"PK")
    return str(path)


def run(*arguments: str) -> Any:
    return RUNNER.invoke(cli.app, list(arguments), env={"COLUMNS": "100"})


@pytest.mark.parametrize(
    ("verdict", "code"), [(Verdict.RELEASE, 0), (Verdict.QUERY, 10), (Verdict.HOLD, 20)]
)
def test_screen_and_judge_leave_with_the_code_of_the_verdict(
    stages: Stages, package: str, verdict: Verdict, code: int
) -> None:
    stages.judgement = dataclasses.replace(made_up.judgement(), verdict=verdict)
    for command in ("screen", "judge"):
        result = run(command, package, "--shop", "example")
        assert result.exit_code == code
        assert verdict.upper() in result.stdout.splitlines()[0]
        assert result.stderr == ""


def test_screen_hands_its_options_to_the_stages(stages: Stages, package: str) -> None:
    run(
        "screen", package, "--shop", "example", "--tier", "fine", "--thickness", "1.6",
        "--copper", "70", "--role", "a=b.gbr=conductor-2", "--role", "m.gbr=MASK-TOP",
        "--board", "left", "--workers", "2",
    )  # fmt: skip
    assert stages.screened["path"] == Path(package)
    assert stages.screened["roles"] == {"a=b.gbr": "conductor-2", "m.gbr": "mask-top"}
    assert stages.screened["board"] == "left"
    assert stages.screened["thickness"] == 1.6
    assert stages.screened["copper_um"] == 70.0
    assert stages.screened["workers"] == 2
    assert stages.screened["reach"] == {"etch.conductor-spacing": 0.2}
    assert stages.judged["tier"] == "fine"
    assert stages.judged["thickness"] == 1.6
    assert stages.judged["copper_um"] == 70.0
    assert stages.judged["rules"] == made_up.RULES


def test_reports_are_written_where_asked(stages: Stages, package: str, tmp_path: Path) -> None:
    paths = [tmp_path / name for name in ("out.json", "out.csv", "out.screening")]
    result = run(
        "screen", package, "--shop", "example", "--json", str(paths[0]), "--csv", str(paths[1]),
        "--save", str(paths[2]),
    )  # fmt: skip
    assert result.exit_code == 20
    assert json.loads(paths[0].read_text())["verdict"] == "hold"
    assert len(paths[1].read_text().splitlines()) == len(stages.judgement.findings) + 1
    assert stages.saved == [paths[2]]


def test_json_to_standard_output_is_json_alone(stages: Stages, package: str) -> None:
    result = run("judge", package, "--shop", "example", "--json", "-")
    assert json.loads(result.stdout)["package"] == "heater-controller_rev-C.zip"
    assert result.exit_code == 20


def test_quiet_prints_the_verdict_and_all_prints_every_finding(
    stages: Stages, package: str
) -> None:
    assert len(run("screen", package, "--shop", "example", "--quiet").stdout.splitlines()) == 2
    assert "… 10 more" in run("screen", package, "--shop", "example").stdout
    assert "… 10 more" not in run("screen", package, "--shop", "example", "--all").stdout


def test_package_that_cannot_be_opened_holds_with_one_sentence(
    stages: Stages, package: str
) -> None:
    stages.fails = PackageError("the archive ends early", "a whole zip", "Ask for it again.")
    for arguments in (("inspect", package), ("screen", package, "--shop", "example")):
        result = run(*arguments)
        assert result.exit_code == 20
        assert result.stderr == "the archive ends early; expected a whole zip. Ask for it again.\n"
        assert result.stdout == ""


def test_failure_of_the_tool_is_one_sentence_and_code_1(stages: Stages, package: str) -> None:
    stages.fails = ZeroDivisionError("division\nby zero")
    result = run("screen", package, "--shop", "example")
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == 1
    assert "ZeroDivisionError: division by zero" in result.stderr
    assert "--debug" in result.stderr
    assert "Traceback" not in result.stderr
    shown = run("--debug", "screen", package, "--shop", "example")
    assert shown.exit_code == 1
    assert "Traceback" in shown.stderr
    assert "Traceback" not in run("screen", package, "--shop", "example").stderr


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--shop", "nowhere"), "there is no shop 'nowhere'"),
        (("--shop", "example", "--role", "x.gbr"), "expected FILE=ROLE"),
        (("--shop", "example", "--role", "x.gbr=copper"), "'copper' is not a role"),
        (("--shop", "example", "--json", "/no/such/folder/x.json"), "its folder does not exist"),
        (("--shop", "example", "--json", "-", "--csv", "-"), "named twice"),
        (("--shop", "example", "--thickness", "1600"), "thickness"),
        ((), "--shop"),
    ],
)
def test_wrong_usage_is_code_2_and_nothing_is_measured(
    stages: Stages, package: str, arguments: tuple[str, ...], told: str
) -> None:
    result = run("screen", package, *arguments)
    assert result.exit_code == 2
    assert told in result.stderr
    assert stages.screened == {}


def test_package_that_does_not_exist_is_wrong_usage(stages: Stages, tmp_path: Path) -> None:
    assert run("screen", str(tmp_path / "none.zip"), "--shop", "example").exit_code == 2


def test_inspect_code_follows_the_worst_defect(stages: Stages, package: str) -> None:
    full = stages.screening
    assert run("inspect", package).exit_code == 20
    stages.screening = dataclasses.replace(full, defects=())
    assert run("inspect", package).exit_code == 10
    stages.screening = dataclasses.replace(full, defects=full.defects[2:], assumptions=())
    result = run("inspect", package, "--role", "odd.bin=document", "--board", "left")
    assert result.exit_code == 0
    assert "conductor-1" in result.stdout
    assert stages.screened["roles"] == {"odd.bin": "document"}
    assert stages.screened["board"] == "left"


def test_explain(stages: Stages) -> None:
    listed = run("explain")
    assert listed.exit_code == 0
    assert "etch.conductor-spacing" in listed.stdout
    page = run("explain", "etch.conductor-spacing")
    assert page.exit_code == 0
    assert made_up.SPACING.on_the_floor in page.stdout
    wrong = run("explain", "etch.conducter-spacing")
    assert wrong.exit_code == 2
    assert "Did you mean etch.conductor-spacing?" in wrong.stderr


def test_shops_are_listed_with_their_tiers(stages: Stages) -> None:
    result = run("shops")
    assert result.exit_code == 0
    assert "example" in result.stdout
    assert "standard, fine" in result.stdout


def test_version() -> None:
    result = run("--version")
    assert (result.exit_code, result.stdout) == (0, f"dfmcheck {dfmcheck.__version__}\n")


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, dfmcheck.cli; "
        "print([m for m in ('numpy', 'shapely', 'scipy', 'pyarrow', 'lark') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout == "[]\n"


def test_screening_that_cannot_be_kept_is_wrong_usage(
    stages: Stages, package: str, tmp_path: Path
) -> None:
    result = run("screen", package, "--shop", "example", "--save", str(tmp_path / "full.screening"))
    assert result.exit_code == 2
    assert "the disk is full" in result.stderr
