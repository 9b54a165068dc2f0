"""This module names decisions by what they say, so that one taken in twice is one."""

import hashlib


def decision_id_of(meter_id: str, *, about: str, decided_on: str, decision: str) -> str:
    """Return what a decision goes by; days are written as in ISO 8601."""
    told = f"{meter_id} {about} {decided_on} {decision}"
    return f"D-{hashlib.sha256(told.encode()).hexdigest()[:10]}"
