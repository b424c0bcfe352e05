"""Centering a virtual microscope, by advice alone (:mod:`.advised`) or by people (:mod:`.game`). No user interface."""
