"""The practice widget (comes next)."""
