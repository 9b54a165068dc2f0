"""Figures as Altair charts over named data, described once and drawn in pages.

A *figure* is a picture; in `drift.limits` a *chart* is a fitted statistical object.
"""
