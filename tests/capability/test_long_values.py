"""A value beyond all measure in a file the user wrote: one sentence of a readable length."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dfmcheck.capability import load_shop, parse_shop
from dfmcheck.errors import UsageError
from dfmcheck.judge import waivers
from dfmcheck.resources import data_folder
from dfmcheck.voltage_file import load_voltages

SHOP = (data_folder("rulesets") / "volume.toml").read_text(encoding="utf-8")
MOST = 500  # characters of the whole message


def _refused(read: Callable[[], object]) -> UsageError:
    with pytest.raises(UsageError) as told:
        read()
    assert len(str(told.value)) < MOST
    assert told.value.line is not None
    return told.value


def values(n: int) -> dict[str, str]:
    nines = n * "9"
    return {
        "number": nines, "negative": f"-{nines}", "text": f'"{nines}"', "lists": n * "[" + n * "]",
        "tables": n * "{a = " + "1" + n * "}",
    }  # fmt: skip


@pytest.mark.parametrize("n", [400, 5_000, 100_000])
@pytest.mark.parametrize("kind", values(1))
def test_a_limit_beyond_measure_is_refused_in_a_line(n: int, kind: str) -> None:
    text = SHOP.replace("economy = 200", f"economy = {values(n)[kind]}", 1)
    error = _refused(lambda: parse_shop(text, "s.toml"))
    assert error.line == 1 + SHOP[: SHOP.index("economy = 200")].count("\n")


@pytest.mark.parametrize("n", [320, 5_000])
@pytest.mark.parametrize("kind", values(1))
def test_so_are_a_voltage_and_an_entry_of_a_waiver(tmp_path: Path, n: int, kind: str) -> None:
    path = tmp_path / "nets.toml"
    path.write_text(f"[nets]\nBUS = {values(n)[kind]}\n")
    if (n, kind) != (320, "tables"):  # else it is a name without quotes
        assert _refused(lambda: load_voltages(path)).line == 2
    path = tmp_path / "job.waivers.toml"
    path.write_text(
        '[[waiver]]\nfingerprint = "0123456789ab"\nrule = "etch.notch"\nreason = "x"\n'
        f'name = "y"\ndate = {values(n)[kind]}\n'
    )
    assert _refused(lambda: waivers.load(path)).line == 6


def test_a_long_name_of_a_rule_and_a_tier(tmp_path: Path) -> None:
    long = 5_000 * "x"
    error = _refused(lambda: parse_shop(SHOP.replace('."etch.notch"', f'."{long}"'), "s.toml"))
    assert error.found.endswith("(of 5,002 characters)")
    path = tmp_path / "s.toml"
    path.write_text(SHOP.replace('default_tier = "standard"', f'default_tier = "{long}"'))
    _refused(lambda: load_shop(path))
