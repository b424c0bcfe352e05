"""The window: a napari plugin. Thin Qt widgets, one file each; a model without Qt behind each; no formulas.

``napari.yaml`` lists what it offers. Nothing here is imported before napari asks for it.
"""
