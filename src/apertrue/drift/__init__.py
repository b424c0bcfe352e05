"""Drift: how the beam creeps off the aperture's center over the hours, and when to look again.

Pure estimation: sightings and moves in, rates, forecasts and crossing times out. No files, no clocks, no log.
"""

from .bank import Bank, Mixture
from .crossing import HORIZON_H, Crossing, crossing, passage_times
from .forecast import COVERAGE, Fan, OffsetForecast, Rate, fan, offset_forecast, rate
from .outlook import Outlook, outlook, sentences
from .priors import HOLDS_H, Priors, Usual
from .score_curve import ScoreCurve
from .state_space import DriftNoise, Path, follow
from .track import Event, Restart, Settling, Sighting, Step, ordered, since_restart

__all__ = [
    "COVERAGE",
    "HOLDS_H",
    "HORIZON_H",
    "Bank",
    "Crossing",
    "DriftNoise",
    "Event",
    "Fan",
    "Mixture",
    "OffsetForecast",
    "Outlook",
    "Path",
    "Priors",
    "Rate",
    "Restart",
    "ScoreCurve",
    "Settling",
    "Sighting",
    "Step",
    "Usual",
    "crossing",
    "fan",
    "follow",
    "offset_forecast",
    "ordered",
    "outlook",
    "passage_times",
    "rate",
    "sentences",
    "since_restart",
]
