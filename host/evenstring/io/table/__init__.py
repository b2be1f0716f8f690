"""Tables of numbers in: guess what each column is, show it, convert it in batches, write a recording.

`guess/` is pure: from a sample of rows to a `Plan`. `text` and `workbook` read files, `convert` turns blocks of lines
into numbers as the plan says, `timeline` puts times in order, `spool` keeps rows on disk meanwhile, `recording` writes
frames.
"""

from evenstring.io.table.guess.plan import Plan, Wishes
from evenstring.io.table.imports import import_table, preview
from evenstring.io.table.recording import Imported

__all__ = ["TABLE_ENDINGS", "Imported", "Plan", "Wishes", "import_table", "preview"]

TABLE_ENDINGS = (".csv", ".tsv", ".txt", ".dat", ".asc", ".xlsx", ".xlsm")  # how the name of a table ends
