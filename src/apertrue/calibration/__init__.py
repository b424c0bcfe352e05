"""Which way to turn: the shift calibration, its validity, and the nudges that follow from it. Pure estimation."""
