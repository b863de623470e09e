"""Can calibration rescue this frame: measure, locate, fit, judge, in order."""
