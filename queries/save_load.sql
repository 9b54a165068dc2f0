-- purpose: note that a source was loaded, and when.
-- grain: one row per load.
-- parameters: $load_no; $source_name, the folder's own name; $loaded_at, time in UTC.
-- columns: those of the table loads.

insert into loads by name
select $load_no as load_no, $source_name as source_name, $loaded_at as loaded_at;
