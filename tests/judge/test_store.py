"""A screening saved and read back is the same screening."""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from shop_parts import screening, spacings

from dfmcheck.errors import PackageError
from dfmcheck.measure import store
from dfmcheck.measure.drawing import Drawing
from dfmcheck.measure.places import COLUMNS, Places
from dfmcheck.measure.screening import Facts, FileEntry, Gap, HoleCount, Screening
from dfmcheck.terms import Assumption, Defect, Weight


def full() -> Screening:
    rng = np.random.default_rng(1)
    places = spacings(
        rng.uniform(0, 1, 50),
        x=rng.uniform(-1e3, 1e3, 50),
        plated=[-1, 1] * 25,
        net_a=["", "Ä-µ"] * 25,
        group=2**62,
    )
    return screening(
        places,
        files=(FileEntry("top.gbr", "conductor-1", "gerber", 0.97, ("a", "b"), 12, False),),
        facts=Facts(
            width=0.1 + 0.2, layers=("conductor-1",), holes=(HoleCount(1 / 3, "plated", 0, 4),),
            copper_area={"conductor-1": 1e-17}, nets=3,
        ),
        reach={"etch.notch": 0.1},
        gaps=(Gap("", "", "why"),),
        defects=(Defect("data.tool-size", Weight.QUERY, "f", "e", "a", "h.drl", x=1.5),),
        assumptions=(Assumption("units", "mm", "sizes", "h.drl", 0.6),),
        made_by="made up",
    )  # fmt: skip


def assert_same(a: Screening, b: Screening) -> None:
    for name in COLUMNS:
        assert a.places[name].dtype == b.places[name].dtype, name
        np.testing.assert_array_equal(a.places[name], b.places[name])
    for name in Screening.__dataclass_fields__:
        if name != "places":
            assert getattr(a, name) == getattr(b, name)
            assert repr(getattr(a, name)) == repr(getattr(b, name))  # types too


@pytest.mark.parametrize("made", [full(), screening(Places.empty())])
def test_round_trip_is_exact(tmp_path: Path, made: Screening) -> None:
    store.save(made, tmp_path / "a.screening")
    assert_same(store.load(tmp_path / "a.screening"), made)
    assert [p.name for p in tmp_path.iterdir()] == ["a.screening"]


def test_file_names_that_were_no_text_survive(tmp_path: Path) -> None:
    made = screening(spacings([0.1, 0.2], file_a=["a\udcff.gbr", "b.gbr"]))
    store.save(made, tmp_path / "a")
    assert_same(store.load(tmp_path / "a"), made)


def test_the_same_screening_gives_the_same_bytes(tmp_path: Path) -> None:
    store.save(full(), tmp_path / "a")
    store.save(full(), tmp_path / "b")
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def changed(path: Path, member: str, content: bytes | None) -> None:
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    if content is None:
        del members[member]
    else:
        members[member] = content
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)


def test_a_file_of_another_version_is_named(tmp_path: Path) -> None:
    path = tmp_path / "a"
    store.save(full(), path)
    rest = json.loads(zipfile.ZipFile(path).read("screening.json"))
    changed(path, "screening.json", json.dumps(rest | {"version": 99}).encode())
    with pytest.raises(PackageError, match="version 99; expected version 3"):
        store.load(path)


def test_the_drawing_may_be_left_out(tmp_path: Path) -> None:
    made = replace(full(), drawing=Drawing((), np.empty((0, 7)), np.empty((0, 4))))
    store.save(made, tmp_path / "a")
    assert store.load(tmp_path / "a").drawing is not None
    assert_same(store.load(tmp_path / "a", drawing=False), full())


def test_offsets_and_indices_of_the_table_are_not_trusted(tmp_path: Path) -> None:
    table = store.to_arrow(full().places)
    lone = pa.array([7] * table.num_rows, pa.int32())
    beyond = pa.DictionaryArray.from_arrays(lone, pa.array(["a"]), safe=False)
    n = table.schema.get_field_index("rule")
    content = io.BytesIO()
    with pa.ipc.new_file(content, table.schema) as out:
        out.write_table(table.set_column(n, "rule", beyond))
    store.save(full(), tmp_path / "a")
    changed(tmp_path / "a", "places.arrow", content.getvalue())
    with pytest.raises(PackageError, match="cannot be read"):
        store.load(tmp_path / "a")


@pytest.mark.parametrize(
    ("member", "content", "message"),
    [
        ("screening.json", None, "holds no screening"),
        ("places.arrow", None, "holds no screening"),
        ("places.arrow", b"ARROW1", "cannot be read"),
        ("screening.json", b"{", "not JSON"),
        ("screening.json", b"[]", "describes no screening"),
        ("screening.json", b'{"kind": "dfmcheck screening", "version": 3}', "lacks or distorts"),
    ],
)
def test_a_wrong_member_is_named(
    tmp_path: Path, member: str, content: bytes | None, message: str
) -> None:
    store.save(full(), tmp_path / "a")
    changed(tmp_path / "a", member, content)
    with pytest.raises(PackageError, match=message):
        store.load(tmp_path / "a")


def test_what_is_no_screening_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PackageError, match="cannot be opened"):
        store.load(tmp_path / "none")
    (tmp_path / "text").write_text("G04 not a zip*\n")
    with pytest.raises(PackageError, match="not a whole zip"):
        store.load(tmp_path / "text")


def test_a_damaged_file_never_ends_in_another_error(tmp_path: Path) -> None:
    store.save(full(), tmp_path / "a")
    whole = (tmp_path / "a").read_bytes()
    rng = np.random.default_rng(7)
    refused = 0
    for n in range(150):
        damaged = bytearray(whole)
        if n % 2:
            damaged = damaged[: rng.integers(0, len(whole))]
        else:
            damaged[rng.integers(0, len(whole))] ^= 1 << int(rng.integers(0, 8))
        (tmp_path / "b").write_bytes(damaged)
        try:
            store.load(tmp_path / "b")
        except PackageError:
            refused += 1
    assert refused > 100
