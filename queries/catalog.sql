-- purpose: list all that a database holds besides rows, in words that can be compared.
-- grain: one row per kind and name.
-- parameters: $database_name.
-- columns: kind; name; form, the statement that makes it.

select 'table' as kind, table_name as name, sql as form
from duckdb_tables()
where database_name = $database_name and not internal
union all
select 'view', view_name, sql
from duckdb_views()
where database_name = $database_name and not internal
union all
select 'macro', function_name, macro_definition
from duckdb_functions()
where database_name = $database_name and not internal
union all
select 'index', index_name, sql
from duckdb_indexes()
where database_name = $database_name
union all
select 'sequence', sequence_name, sql
from duckdb_sequences()
where database_name = $database_name
union all
select 'type', type_name, logical_type
from duckdb_types()
where database_name = $database_name and not internal
union all
select 'schema', schema_name, sql
from duckdb_schemas()
where database_name = $database_name and not internal and schema_name <> 'main'
order by all;
