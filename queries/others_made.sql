-- purpose: list all that the file of a store holds besides tables: no store of ours has any.
-- grain: one row per kind and name.
-- parameters: none.
-- columns: kind; name.

select 'view' as kind, view_name as name
from duckdb_views()
where database_name = 'store' and not internal
union all
select distinct 'macro', function_name
from duckdb_functions()
where database_name = 'store' and not internal
union all
select 'index', index_name
from duckdb_indexes()
where database_name = 'store'
union all
select 'sequence', sequence_name
from duckdb_sequences()
where database_name = 'store'
union all
select 'type', type_name
from duckdb_types()
where database_name = 'store' and not internal
union all
select 'schema', schema_name
from duckdb_schemas()
where database_name = 'store' and not internal and schema_name <> 'main'
order by all;
