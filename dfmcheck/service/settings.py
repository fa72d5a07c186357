"""What the service is told: options over environment over a TOML file over defaults."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from dfmcheck.capability.toml_files import tables_of, text_of
from dfmcheck.errors import UsageError

ENVIRONMENT = "DFMCHECK_SERVE_"
MB = 1_000_000


def _option(default: Any, told: str, least: float | None = None) -> Any:
    return field(default=default, metadata={"told": told, "least": least})


@dataclass(frozen=True, slots=True)
class Settings:
    """Every setting, by the name it has in the TOML file; ``told`` is what help says of it."""

    data: str = _option("dfmcheck-data", "folder for packages, results and the SQLite store")
    store: str = _option("", "postgresql://… address; empty: SQLite in the data folder")
    host: str = _option("127.0.0.1", "address to listen on")
    port: int = _option(8480, "port to listen on", 0)
    keys: bool = _option(True, "ask for API keys; false only where host is this machine's own")
    public_host: str = _option("", "name under which people reach the service, if a proxy does")
    tls_certificate: str = _option("", "certificate chain (PEM), to serve https without a proxy")
    tls_key: str = _option("", "its private key (PEM)")
    shops: tuple[str, ...] = _option((), "further shop files (TOML) clients may choose by name")
    workers: int = _option(1, "worker processes this server keeps running", 0)
    processes: int = _option(1, "processes one screen may use", 1)
    time_limit_s: float = _option(900.0, "longest a screen may take", 1)
    memory_limit_mb: int = _option(4096, "most memory a screen may use, all its processes", 256)
    attempts: int = _option(3, "times a job is begun before a worker's death fails it", 1)
    lease_s: float = _option(30.0, "silence after which a worker counts as dead", 1)
    max_upload_mb: float = _option(200.0, "largest package", 0.001)
    max_queue: int = _option(1000, "jobs that may wait, of all clients together", 1)
    max_jobs: int = _option(100, "jobs of one client that may wait or run", 1)
    rate: int = _option(120, "submissions of one client a minute", 1)
    max_uploads: int = _option(4, "uploads of one client at the same time", 1)
    upload_time_s: float = _option(600.0, "longest an upload may take", 1)
    min_free_mb: float = _option(1000.0, "disk space kept free", 0)
    retention_h: float = _option(72.0, "hours after its end at which a job is deleted", 0)
    keep_package: bool = _option(False, "keep the package until then, not only the results")

    @property
    def folder(self) -> Path:
        return Path(self.data)

    @property
    def max_bytes(self) -> int:
        return int(self.max_upload_mb * MB)

    @property
    def loopback(self) -> bool:
        """Whether only this machine can connect."""
        if self.host == "localhost":
            return True
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return False


def load(
    given: Mapping[str, Any],
    file: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> Settings:
    """Settings from options (None: not given), environment and file.

    Raises
    ------
    UsageError
        An unknown name, a value of the wrong kind or out of range, or a service without keys
        that other machines could reach.
    """
    values: dict[str, Any] = {}
    if file is not None:
        values |= _from_file(file)
    values |= _from_environment(os.environ if environment is None else environment)
    values |= {name: value for name, value in given.items() if value is not None}
    settings = Settings(**values)
    _check(settings)
    return settings


def _from_file(file: Path) -> dict[str, Any]:
    table = tables_of(
        text_of(file, "a TOML file of settings"), str(file), "a TOML file of settings"
    )
    known = {entry.name: entry for entry in fields(Settings)}
    for name, value in table.items():
        if name not in known:
            raise UsageError(
                f"'{name}' is no setting",
                f"one of {', '.join(known)}",
                "Correct the name.",
                str(file),
            )
        table[name] = _fitting(name, value, str(file))
    return table


def _fitting(name: str, value: Any, where: str) -> Any:
    default = next(entry.default for entry in fields(Settings) if entry.name == name)
    if isinstance(default, tuple):
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            return tuple(value)
    elif isinstance(default, bool) or isinstance(value, bool):
        if isinstance(default, bool) and isinstance(value, bool):
            return value
    elif isinstance(default, float) and isinstance(value, int):
        return float(value)
    elif isinstance(value, type(default)):
        return value
    kinds = {bool: "true or false", int: "a whole number", float: "a number", tuple: "a list"}
    raise UsageError(
        f"{name} = {value!r}", kinds.get(type(default), "text in quotes"), "Correct it.", where
    )


def _from_environment(environment: Mapping[str, str]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    known = [ENVIRONMENT + entry.name.upper() for entry in fields(Settings)]
    for name in sorted(environment):
        if name.startswith(ENVIRONMENT) and name not in known:
            close = get_close_matches(name, known, n=1)
            raise UsageError(
                f"the environment variable {name} stands for no setting",
                f"{ENVIRONMENT} and the name of a setting in capitals",
                f"Did you mean {close[0]}?" if close else "Correct its name or remove it.",
            )
    for entry in fields(Settings):
        text = environment.get(ENVIRONMENT + entry.name.upper())
        if text is None:
            continue
        where = ENVIRONMENT + entry.name.upper()
        kind: Any = type(entry.default)
        try:
            if kind is bool:
                out[entry.name] = {"true": True, "false": False}[text.strip().lower()]
            elif kind is tuple:
                out[entry.name] = tuple(part for part in text.split(os.pathsep) if part)
            else:
                out[entry.name] = kind(text)
        except (KeyError, ValueError) as error:
            wanted = "true or false" if kind is bool else "a number"
            raise UsageError(f"{where} is '{text}'", wanted, "Correct it.") from error
    return out


def _check(settings: Settings) -> None:
    for entry in fields(Settings):
        least = entry.metadata["least"]
        value = getattr(settings, entry.name)
        if least is not None and not least <= value < float("inf"):
            raise UsageError(f"{entry.name} is {value:g}", f"at least {least:g}", "Correct it.")
    if settings.port > 65535:
        raise UsageError(f"port is {settings.port}", "at most 65535", "Correct it.")
    if not settings.keys and not settings.loopback:
        raise UsageError(
            f"a service without keys would listen on {settings.host}, where others can reach it",
            "a loopback address such as 127.0.0.1",
            "Leave --no-keys out, or listen on 127.0.0.1.",
        )
    if bool(settings.tls_certificate) != bool(settings.tls_key):
        raise UsageError(
            "only one of tls_certificate and tls_key is given", "both or none", "Give both."
        )
