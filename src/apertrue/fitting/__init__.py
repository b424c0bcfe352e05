"""Fits that several rooms share: circles, ellipses, straight lines, monotone curves. Pure numpy, no pictures."""
