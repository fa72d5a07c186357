"""The hash of a package, and its bytes sent elsewhere."""

from __future__ import annotations

import zipfile
from pathlib import Path

from dfmcheck.fleet.content import digest, pack, size
from dfmcheck.intake.unpack import unpack

SAMPLE = Path(__file__).resolve().parents[2] / "sample_boards" / "tide-logger-clean"


def copied(folder: Path) -> Path:
    target = folder / "board"
    target.mkdir(parents=True)
    for file in SAMPLE.iterdir():
        (target / file.name).write_bytes(file.read_bytes())
    return target


def test_hash_follows_bytes_and_names_only(tmp_path: Path) -> None:
    one, two = copied(tmp_path / "a"), copied(tmp_path / "b")
    assert digest(one) == digest(two)
    layer = next(two.glob("*copper-1.gbr"))
    layer.write_bytes(layer.read_bytes() + b"\n")
    assert digest(one) != digest(two)
    layer.write_bytes(layer.read_bytes()[:-1])
    assert digest(one) == digest(two)
    layer.rename(layer.with_name("renamed.gbr"))
    assert digest(one) != digest(two)


def test_roles_beside_the_package_count(tmp_path: Path) -> None:
    board = copied(tmp_path)
    before = digest(board)
    (tmp_path / "board.roles.toml").write_text('[roles]\n"*-copper-1.gbr" = "conductor-1"\n')
    after = digest(board)
    assert before != after
    assert digest(pack(board).unfold(tmp_path / "there")) == after


def test_a_folder_unfolds_as_it_was(tmp_path: Path) -> None:
    board = copied(tmp_path)
    (board / "deep").mkdir()
    (board / "deep" / "note.txt").write_bytes(b"as agreed")
    (board / "elsewhere").symlink_to("/etc/hostname")
    there = pack(board).unfold(tmp_path / "there")
    assert digest(there) == digest(board)
    here_, there_ = unpack(board), unpack(there)
    assert here_.files == there_.files
    assert [d.sentence for d in here_.defects] == [d.sentence for d in there_.defects] != []


def test_an_archive_unfolds_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "board.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("top.gbr", b"M02*")
    there = pack(path).unfold(tmp_path / "there")
    assert there.name == "board.zip" and there.read_bytes() == path.read_bytes()
    assert size(path) == path.stat().st_size
