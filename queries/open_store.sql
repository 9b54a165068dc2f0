-- statement: shut_in
-- purpose: name the only files that a connection may read or write from now on.
-- grain: none.
-- parameters: $places, whole paths.
-- columns: none.

set allowed_paths = $places;

-- statement: shut_in_folder
-- purpose: name the only folder whose files a connection may read from now on.
-- grain: none.
-- parameters: $folders, its whole path, as it is and as a pattern.
-- columns: none.

set allowed_directories = $folders;

-- statement: shut
-- purpose: close every other way to files and to the network, for good.
-- grain: none.
-- parameters: none.
-- columns: none.

set enable_external_access = false;

set lock_configuration = true;

-- statement: attach
-- purpose: open the file of a store for writing, under the name store.
-- grain: none.
-- parameters: $place, its whole path.
-- columns: none.

attach $place as store;

-- statement: attach_read_only
-- purpose: open the file of a store for reading alone, under the name store.
-- grain: none.
-- parameters: $place, its whole path.
-- columns: none.

attach $place as store (read_only);

-- statement: use_store
-- purpose: let names without a database mean those of the store.
-- grain: none.
-- parameters: none.
-- columns: none.

use store;

-- statement: tables_made
-- purpose: list the tables of a database in words that can be compared.
-- grain: one row per name.
-- parameters: $database_name.
-- columns: name; form, the statement that makes it.

select table_name as name, sql as form
from duckdb_tables()
where database_name = $database_name and not internal
order by name;

-- statement: others_made
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

-- statement: schema_version
-- purpose: read the version of the form in which a store was made, before its names are used.
-- grain: one row.
-- parameters: none.
-- columns: schema_version.

select schema_version from store.main.store_info;

-- statement: start_reference
-- purpose: make room in memory for a new store, with which the form of another is compared.
-- grain: none.
-- parameters: none.
-- columns: none.

attach ':memory:' as reference;

use reference;

-- statement: end_reference
-- purpose: leave that store in memory again.
-- grain: none.
-- parameters: none.
-- columns: none.

use memory;

detach reference;
