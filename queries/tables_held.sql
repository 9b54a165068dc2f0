-- purpose: list the tables of a database file, ours or not.
-- grain: one row per table_name.
-- parameters: none.
-- columns: table_name.

select table_name from duckdb_tables() where not temporary order by table_name;
