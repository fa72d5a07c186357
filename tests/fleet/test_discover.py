"""What counts as a package, and whose it is."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest

from dfmcheck.errors import UsageError
from dfmcheck.fleet.discover import discover

LAYER = b"%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.2*%\nD10*\nX0Y0D03*\nM02*\n"
DRILL = b"M48\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y2.0\nM30\n"


def lay(root: Path, **files: bytes) -> None:
    """Write files; a double underscore in a name is a slash, a single one a dot."""
    for name, data in files.items():
        path = root / name.replace("__", "/").replace("_", ".")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def zipped(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def names(root: Path) -> list[tuple[str, str]]:
    return [(found.name, found.customer) for found in discover(root).packages]


def test_archives_anywhere_and_folders_with_data(tmp_path: Path) -> None:
    lay(
        tmp_path,
        mill__a_zip=zipped(x=LAYER),
        mill__2026__b_dat=zipped(x=LAYER),
        mill__c__top_gbr=LAYER,
        mill__c__c_drl=DRILL,
        loose_zip=zipped(x=LAYER),
    )
    assert names(tmp_path) == [
        ("loose.zip", ""), ("mill/2026/b.dat", "mill"), ("mill/a.zip", "mill"), ("mill/c", "mill"),
    ]  # fmt: skip


def test_all_below_a_package_folder_belongs_to_it(tmp_path: Path) -> None:
    lay(tmp_path, mill__c__top_gbr=LAYER, mill__c__old__a_zip=zipped(x=LAYER),
        mill__c__drill__c_drl=DRILL)  # fmt: skip
    assert names(tmp_path) == [("mill/c", "mill")]


def test_layers_and_drill_in_folders_of_their_own_are_one_package(tmp_path: Path) -> None:
    lay(tmp_path, mill__c__layers__top_gbr=LAYER, mill__c__drill__c_drl=DRILL)
    assert names(tmp_path) == [("mill/c", "mill")]


def test_whole_boards_side_by_side_are_packages_each(tmp_path: Path) -> None:
    lay(
        tmp_path,
        mill__c__top_gbr=LAYER, mill__c__c_drl=DRILL,
        mill__d__top_gbr=LAYER, mill__d__d_drl=DRILL,
    )  # fmt: skip
    assert names(tmp_path) == [("mill/c", "mill"), ("mill/d", "mill")]


def test_boards_without_drill_files_are_packages_each(tmp_path: Path) -> None:
    lay(tmp_path, mill__c__top_gbr=LAYER, mill__d__top_gbr=LAYER)
    assert names(tmp_path) == [("mill/c", "mill"), ("mill/d", "mill")]


def test_links_loose_files_and_the_data_set_are_left_out(tmp_path: Path) -> None:
    lay(tmp_path, mill__a_zip=zipped(x=LAYER), stray_gbr=LAYER, notes_txt=b"see the drawing",
        out__places__b_zip=zipped(x=LAYER))  # fmt: skip
    (tmp_path / "again").symlink_to(tmp_path / "mill")
    search = discover(tmp_path, leave=tmp_path / "out")
    assert [found.name for found in search.packages] == ["mill/a.zip"]
    assert dict(search.left_out) == {
        "again": "it is a link and was not followed",
        "stray.gbr": "it is a single file, in no package folder",
    }


def test_a_damaged_archive_is_a_package(tmp_path: Path) -> None:
    lay(tmp_path, mill__a_zip=zipped(x=LAYER)[:40])
    assert names(tmp_path) == [("mill/a.zip", "mill")]


def test_a_name_that_is_no_text_is_a_package_too(tmp_path: Path) -> None:
    path = tmp_path / "mill" / "caf\udce9.zip"
    path.parent.mkdir()
    path.write_bytes(zipped(x=LAYER))
    (found,) = discover(tmp_path).packages
    assert found.path.read_bytes() and found.name == "mill/caf\ufffd.zip"


@pytest.mark.parametrize("files", [{}, {"notes_txt": b"nothing here"}, {"only_gbr": LAYER}])
def test_a_folder_without_packages_says_so(tmp_path: Path, files: dict[str, bytes]) -> None:
    lay(tmp_path, **files)
    with pytest.raises(UsageError, match="no package was found"):
        discover(tmp_path)


def test_no_folder_says_so(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="there is no such folder"):
        discover(tmp_path / "none")
