"""Ask a check meter or a fixed artefact whether it was the vessel or the meters that moved.

Enter by `drift.reference.check_meters.weigh.weigh_check_meters`.
"""
