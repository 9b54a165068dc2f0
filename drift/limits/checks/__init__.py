"""Say how meters are watched between their calibrations, and what the checks show.

Enter by `drift.limits.checks.weigh.weigh_checks`.  A check is never a calibration: it may ask that
a meter be seen sooner, and never moves the day on which it is due.
"""
