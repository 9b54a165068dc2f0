-- purpose: read the version of the form in which a store was made, before its names are used.
-- grain: one row.
-- parameters: none.
-- columns: schema_version.

select schema_version from store.main.store_info;
