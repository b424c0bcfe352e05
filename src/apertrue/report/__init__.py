"""Pages for people: one renderer for ``assess``, ``audit`` and ``session``."""

from .page import render_page, write_page
from .pictures import PictureReport, render_assess_report, write_assess_report
from .sketch import Outline, Sketch, sketch_of, sketch_svg

__all__ = [
    "Outline",
    "PictureReport",
    "Sketch",
    "render_assess_report",
    "render_page",
    "sketch_of",
    "sketch_svg",
    "write_assess_report",
    "write_page",
]
