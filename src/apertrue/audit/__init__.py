"""The audit: how well were past sessions centered? Resumable, exact, and calm about broken files."""

from .export import EXPORT_COLUMNS, Audit, read_csv, write_csv
from .progress import Progress
from .run import Limits, changed_since, run_audit
from .sessions import SessionRule
from .settings import AuditSettings
from .tables import MIGRATIONS

__all__ = [
    "EXPORT_COLUMNS",
    "MIGRATIONS",
    "Audit",
    "AuditSettings",
    "Limits",
    "Progress",
    "SessionRule",
    "changed_since",
    "read_csv",
    "run_audit",
    "write_csv",
]
