"""Drift and control-chart analysis for fleets of pressure-type concrete air meters."""

__version__ = "0.1.0"
__all__ = ["__version__"]
