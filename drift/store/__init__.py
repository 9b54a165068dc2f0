"""This package keeps rows in DuckDB; it alone imports duckdb, and draws no conclusions.

``opening``    opens a store, ``form`` knows what it must look like
``connection`` runs ``queries/<name>.sql``
``loading``    takes a folder of CSV files into it, all or nothing
``reading``    hands out what it holds, as of one date

What is loaded is only added to, so that an amended value can always be traced.
"""

from drift.store.connection import Connection
from drift.store.loading import IntakeSummary, take_folder
from drift.store.opening import open_store
from drift.store.reading import read_sources

__all__ = ["Connection", "IntakeSummary", "open_store", "read_sources", "take_folder"]
