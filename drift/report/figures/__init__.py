"""Figures as Altair charts over named data, described once for a review and drawn in its pages.

A *figure* is a picture; in `drift.limits` a *chart* is a fitted statistical object.
"""
