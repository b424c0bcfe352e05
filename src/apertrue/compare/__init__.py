"""Two pictures and more: before and after a move, the current over a shift scan, other misalignments."""
