"""The store: one SQLite file for the session log, the audit or both, with named migrations.

Safe with several processes writing, and after a kill at any moment: every change is one transaction in write-ahead
mode.
"""

from .cells import cell_text, safe_cell
from .columns import (
    add_missing_columns,
    assessment_columns,
    assessment_from_row,
    columns_sql,
    missing_columns,
    row_from_assessment,
)
from .database import Store, open_store
from .migrations import Migration, applied_migrations
from .trouble import damaged

__all__ = [
    "Migration",
    "Store",
    "add_missing_columns",
    "applied_migrations",
    "assessment_columns",
    "assessment_from_row",
    "cell_text",
    "columns_sql",
    "damaged",
    "missing_columns",
    "open_store",
    "row_from_assessment",
    "safe_cell",
]
