"""Sets of pictures for benchmarks: simulated, independently rendered, from wave optics, unreadable, and real."""
