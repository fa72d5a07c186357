"""What a command is given: a package or a kept screening, and the waivers that go with it."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from dfmcheck.capability import Shop
    from dfmcheck.judge.finding import Judgement
    from dfmcheck.judge.waivers import Waivers
    from dfmcheck.measure.screening import Screening

EitherArg = Annotated[
    Path,
    typer.Argument(
        help="Package, or a file written by screen --save.", exists=True, show_default=False
    ),
]
WaiversOption = Annotated[
    Path | None,
    typer.Option(
        "--waivers", help="Waiver file; NAME.waivers.toml beside the package if left out."
    ),
]
PicturesOption = Annotated[
    Path | None,
    typer.Option("--pictures", help="Write a PNG of each finding into this folder."),
]


def waivers_for(path: Path, package: str, given: Path | None) -> Waivers | None:
    """The waiver file named, or the one that lies beside the package or screening."""
    from dfmcheck.judge import waivers

    return waivers.load(given) if given is not None else waivers.find(path, package)


def is_screening(path: Path) -> bool:
    """Whether a file is a kept screening, whatever it is called."""
    if not path.is_file() or not zipfile.is_zipfile(path):
        return False
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            return "screening.json" in names and any(n.startswith("places.") for n in names)
    except (OSError, zipfile.BadZipFile):
        return False


def screening_of(
    path: Path,
    shop: Shop,
    *,
    thickness: float | None = None,
    copper: float | None = None,
    workers: int | None = None,
) -> Screening:
    """Load a kept screening, or measure a package as far as ``shop`` needs, with its drawing."""
    if is_screening(path):
        from dfmcheck.measure import store

        return store.load(path)
    from dfmcheck import screen as orchestrator
    from dfmcheck.report.output import progress

    with progress(shown=True) as tell:
        return orchestrator.screen(
            path,
            thickness=thickness,
            copper_um=copper,
            reach=shop.limit_reach(),
            workers=workers,
            progress=tell,
            drawing=True,
        )


def write_pictures(judgement: Judgement, folder: Path | None) -> None:
    """A picture of each finding that has a place, into ``folder``."""
    if folder is None:
        return
    from dfmcheck.report.output import writing
    from dfmcheck.report.pictures import save_pictures

    with writing(folder):
        save_pictures(judgement, folder)
