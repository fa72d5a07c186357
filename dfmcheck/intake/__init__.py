"""Opens a package safely, recognises every file, and gives each a role with evidence."""

from dfmcheck.intake.opening import open_package, select_board
from dfmcheck.intake.package import Package, PackageFile

__all__ = ["Package", "PackageFile", "open_package", "select_board"]
