-- purpose: list the tables of a database in words that can be compared.
-- grain: one row per name.
-- parameters: $database_name.
-- columns: name; form, the statement that makes it.

select table_name as name, sql as form
from duckdb_tables()
where database_name = $database_name and not internal
order by name;
