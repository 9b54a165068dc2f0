"""Pure computation: arrays and frames in, arrays and frames out.

Functions in this folder may import numpy, scipy, statsmodels, polars and each other.  They know
nothing of files, DuckDB, HTML or the command line, and time reaches them as numbers in a stated
unit.  The fleet is computed as a whole; a single meter is a fleet of one.
"""
