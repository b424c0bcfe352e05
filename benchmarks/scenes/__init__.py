"""Sets of pictures for benchmarks: simulated, from an independent renderer, from wave optics, unreadable, and real ones."""
