"""Settings: order of sources, wrong values, and a document that names them all."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from dfmcheck.errors import UsageError
from dfmcheck.service.rate import Rates
from dfmcheck.service.refusal import Refusal
from dfmcheck.service.settings import ENVIRONMENT, Settings, load
from dfmcheck.service.supervisor import worker_environment

DOCUMENT = Path(__file__).parents[2] / "docs" / "service.md"


def test_options_outweigh_environment_outweighs_file_outweighs_default(tmp_path: Path) -> None:
    file = tmp_path / "serve.toml"
    file.write_text('port = 1\nrate = 2\nlease_s = 3\nshops = ["a.toml"]\n')
    environment = {"DFMCHECK_SERVE_PORT": "10", "DFMCHECK_SERVE_RATE": "20"}
    settings = load({"port": 100, "rate": None}, file, environment)
    assert (settings.port, settings.rate, settings.lease_s) == (100, 20, 3.0)
    assert settings.shops == ("a.toml",) and settings.attempts == Settings().attempts


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("prot = 1", "'prot' is no setting"),
        ('port = "1"', "a whole number"),
        ("keys = 1", "true or false"),
        ("port = true", "a whole number"),
        ("shops = 'a'", "a list"),
        ("port = ", "line 1: not TOML"),
    ],
)
def test_a_wrong_file_is_told(tmp_path: Path, text: str, told: str) -> None:
    file = tmp_path / "serve.toml"
    file.write_text(text)
    with pytest.raises(UsageError, match=told):
        load({}, file, {})


@pytest.mark.parametrize(
    ("given", "environment", "told"),
    [
        ({}, {"RATE": "many"}, "a number"),
        ({}, {"KEYS": "perhaps"}, "true or false"),
        ({}, {"WORKER": "4"}, "DFMCHECK_SERVE_WORKER .* Did you mean DFMCHECK_SERVE_WORKERS?"),
        ({"port": 1}, {"port": "2"}, "DFMCHECK_SERVE_port stands for no setting"),
        ({}, {"": "4"}, "DFMCHECK_SERVE_ stands for no setting"),
        ({"workers": -1}, {}, "at least 0"),
        ({"lease_s": float("nan")}, {}, "at least 1"),
        ({"keys": False, "host": "0.0.0.0"}, {}, "without keys"),
        ({"keys": False, "host": "screen.example"}, {}, "without keys"),
        ({"tls_key": "a"}, {}, "both"),
    ],
)
def test_a_wrong_value_is_told(
    given: dict[str, Any], environment: dict[str, str], told: str
) -> None:
    with pytest.raises(UsageError, match=told):
        load(given, None, {ENVIRONMENT + name: text for name, text in environment.items()})


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "127.3.2.1"])
def test_without_keys_on_this_machine(host: str) -> None:
    assert load({"keys": False, "host": host}, None, {}).loopback


def test_a_worker_gets_every_setting_through_its_environment() -> None:
    settings = load(
        {"shops": ("a.toml", "b.toml"), "keys": False, "lease_s": 2.5, "store": "postgresql://x"},
        None, {},
    )  # fmt: skip
    assert load({}, None, worker_environment(settings)) == settings


def test_the_document_names_every_setting_with_its_default() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    for entry in fields(Settings):
        default = entry.default
        if isinstance(default, tuple):
            shown = "[]"
        elif isinstance(default, (bool, str)):
            shown = json.dumps(default)
        else:
            shown = f"{default:g}"
        assert f"| `{entry.name}` | `{shown}` | {entry.metadata['told']} |" in text


def test_the_rate_comes_back_evenly() -> None:
    now = [0.0]
    rates = Rates(lambda: now[0])
    for _ in range(6):
        rates.take(1, 6)
    with pytest.raises(Refusal) as refused:
        rates.take(1, 6)
    assert refused.value.status == 429 and refused.value.retry_s == 10
    rates.take(2, 6)
    now[0] = 9.9
    with pytest.raises(Refusal):
        rates.take(1, 6)
    now[0] = 10.1
    rates.take(1, 6)
