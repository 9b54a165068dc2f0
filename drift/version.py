"""This module holds the version, which pages and records name."""

__version__ = "0.3.0"
