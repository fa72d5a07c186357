"""dfmcheck: screens bare-board fabrication data before the laminate is cut."""

__version__ = "0.1.0"
