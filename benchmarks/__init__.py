"""Measurements of accuracy, honesty and speed; each module runs with python -m."""
