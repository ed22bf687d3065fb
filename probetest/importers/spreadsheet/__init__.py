"""Tables typed by hand or saved by a spreadsheet."""

from probetest.importers.spreadsheet.reader import Spreadsheet, read_spreadsheet
from probetest.importers.spreadsheet.sample import looks_like_table

__all__ = ["Spreadsheet", "looks_like_table", "read_spreadsheet"]
