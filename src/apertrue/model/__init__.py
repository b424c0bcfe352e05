"""The forward model: what a picture of a beam in an aperture looks like, and what passes the aperture. Pure formulas."""
