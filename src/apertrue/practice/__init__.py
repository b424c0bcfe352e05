"""Centering a virtual microscope: by advice alone (:mod:`.advised`) or as a game for people (:mod:`.game`). No user interface."""
