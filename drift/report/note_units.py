"""This module holds the units that notes on columns are told in."""

AIR = "% air"
YEARLY = "% air a year"
DATE = "date"
