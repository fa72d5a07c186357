"""The report as one HTML file that works from a mail attachment."""

from dfmcheck.report.html.page import to_html

__all__ = ["to_html"]
