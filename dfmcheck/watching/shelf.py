"""The folder of results: one complete result per package, written so that a crash loses nothing."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dfmcheck.durable import sync_folder, write_synced
from dfmcheck.errors import UsageError
from dfmcheck.intake.opening import roles_beside
from dfmcheck.watching.arrivals import Signature, signature_of

VERDICTS = ("release", "query", "hold")
ASIDE = "aside"
RESULT = "result.json"
PACKAGE = "package"
_SETTINGS = "settings.json"
_WORK = ".work"
_SHORT, _LONGEST = 12, 120  # digits of the digest, bytes of the name in a folder's name


@dataclass(frozen=True, slots=True)
class Shelf:
    """The folder ``--out``; see :mod:`dfmcheck.watching` for what it holds."""

    root: Path

    @classmethod
    def opened(cls, root: Path, settings: Mapping[str, Any]) -> Shelf:
        """The shelf, made where missing, and rid of what a crash left half-written.

        Only one process may hold a shelf open; see :func:`dfmcheck.watching.locks.locked`.

        Raises
        ------
        UsageError
            It cannot be written, or its results were judged against something else.
        """
        shelf = cls(root)
        try:
            for name in (*VERDICTS, ASIDE, _WORK):
                (root / name).mkdir(parents=True, exist_ok=True)
            for left in (root / _WORK).iterdir():
                shutil.rmtree(left) if left.is_dir() else left.unlink()
            shelf._settle(settings)
            sync_folder(root)
        except OSError as error:
            raise unwritable(root, error) from error
        return shelf

    def _settle(self, settings: Mapping[str, Any]) -> None:
        place = self.root / _SETTINGS
        if not place.exists():
            part = self.root / _WORK / _SETTINGS
            write_synced(part, _json(settings))
            part.rename(place)
            return
        try:
            kept = json.loads(place.read_text(encoding="utf-8"))
        except ValueError:
            kept = None
        if kept != json.loads(_json(settings)):
            differs = [
                k for k in settings if not isinstance(kept, dict) or kept.get(k) != settings[k]
            ]
            raise UsageError(
                f"the results here were judged with another {' and '.join(differs) or 'setting'}",
                "one shop, tier, thickness and copper for all results of a folder",
                "Give another --out.",
                file=str(self.root),
            )

    def part(self) -> Path:
        """A fresh folder to write a result into."""
        for n in range(1 << 30):
            place = self.root / _WORK / f"{os.getpid()}-{n}"
            try:
                place.mkdir()
            except FileExistsError:
                continue
            return place
        raise AssertionError("unreachable")

    def find(self, name: str, digest: str) -> Path | None:
        """The result of a package that was dealt with before."""
        for id_ in _ids(name, digest):
            for kind in (*VERDICTS, ASIDE):
                place = self.root / kind / id_
                if place.is_dir() and _digest_in(place) == digest:
                    return place
        return None

    def publish(self, part: Path, kind: str, name: str, result: Mapping[str, Any]) -> Path:
        """Make a finished part the result of its package; it lasts on return."""
        digest = str(result["sha256"])
        (part / PACKAGE).mkdir(exist_ok=True)
        write_synced(part / RESULT, _json(result))
        sync_folder(part / PACKAGE)
        sync_folder(part)
        taken = {p.name for k in (*VERDICTS, ASIDE) for p in (self.root / k).iterdir()}
        id_ = next(id_ for id_ in _ids(name, digest) if id_ not in taken)
        place = self.root / kind / id_
        part.rename(place)
        sync_folder(place.parent)
        return place

    def keep_roles(self, part: Path, package: Path) -> None:
        """Copy the roles that lie beside a package: the result rests on them."""
        roles = roles_beside(package)
        if roles is not None:
            (part / PACKAGE).mkdir(exist_ok=True)
            copy = part / PACKAGE / roles.name
            shutil.copyfile(roles, copy)  # in pieces: whoever may send may send anything
            _sync_file(copy)

    def take(self, place: Path, package: Path, signature: Signature) -> Path | None:
        """Move a package to its result.

        Returns
        -------
        Path or None
            Where it lies now; None when it is no longer the one that was screened, and stays.
        """
        target = place / PACKAGE / package.name
        n = 0
        while os.path.lexists(target):  # the same bytes were here before
            n += 1
            target = place / f"again-{n}" / package.name
        target.parent.mkdir(exist_ok=True)
        if signature_of(package) != signature:
            return None
        try:
            package.rename(target)
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
            self._carry(package, target, signature)
        sync_folder(target.parent)
        sync_folder(target.parent.parent)
        sync_folder(package.parent)
        return target

    def _carry(self, package: Path, target: Path, signature: Signature) -> None:
        """Move between file systems: copied whole and synced before the one in the inbox goes."""
        whole = self.part() / package.name
        if package.is_dir():
            shutil.copytree(package, whole, symlinks=True)
        else:
            shutil.copy2(package, whole)
        _sync_tree(whole)
        whole.rename(target)
        sync_folder(target.parent)
        whole.parent.rmdir()
        if signature_of(package) == signature:
            shutil.rmtree(package) if package.is_dir() else package.unlink()


def unwritable(place: Path, error: OSError) -> UsageError:
    return UsageError(
        f"results cannot be written ({error.strerror or error})",
        "a folder this user may write to, with room",
        "Make room or give another --out.",
        file=str(place),
    )


def _ids(name: str, digest: str) -> tuple[str, str]:
    """Names for a package's folder; the second is for when another one has the first.

    Examples
    --------
    >>> _ids("kettle lamp.zip", "ab" * 32)[0]
    'kettle_lamp.zip-abababababab'
    """
    safe = re.sub(r"[^\w.+-]", "_", name)
    safe = safe.encode("utf-8", "replace")[:_LONGEST].decode("utf-8", "ignore").lstrip(".")
    return f"{safe}-{digest[:_SHORT]}", f"{safe}-{digest}"


def _digest_in(place: Path) -> str:
    try:
        result = json.loads((place / RESULT).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return ""
    return str(result.get("sha256", "")) if isinstance(result, dict) else ""


def _json(value: Mapping[str, Any]) -> bytes:
    return (json.dumps(value, indent=1) + "\n").encode("ascii")


def _sync_tree(path: Path) -> None:
    if not path.is_dir():
        _sync_file(path)
        return
    for folder, _, names in os.walk(path):
        for name in names:
            file = Path(folder) / name
            if not file.is_symlink() and file.is_file():
                _sync_file(file)
        sync_folder(Path(folder))


def _sync_file(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())
