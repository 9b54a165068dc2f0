"""What is on record: since when, from which file and line, who changed it.

Entrance: `connection.open_store`, `loading.take_folder`, `reading.read_sources`,
`tables.row_counts`.  DuckDB keeps it; what is loaded is only added to, so that an amended value can
always be traced.  Rests on `intake`.
"""
