"""Texts in CSV files that a spreadsheet may open: none is taken for a formula, and reading back is exact."""

#: How a text begins that a spreadsheet may compute, and the apostrophe that keeps it from doing so.
RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "'", "＝", "＋", "－", "＠")


def safe_cell(text: str) -> str:
    """``text`` with an apostrophe in front where a spreadsheet would compute it, or where it begins with one."""
    return "'" + text if text.startswith(RISKY) else text


def cell_text(cell: str) -> str:
    """The text of a cell that :func:`safe_cell` wrote."""
    return cell.removeprefix("'")
