"""Figures as charts over named data, described once for a review and drawn in its pages."""
