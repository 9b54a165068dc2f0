-- purpose: list every value that a later row replaced.
-- grain: one row per new_file, new_line and column.
-- parameters: $as_of, last day seen, null for all; $file_nos, the files asked for, null for all.
-- columns: table_name; row_key, its parts for a reader; column; old_value; new_value; old_file;
--   old_line; new_file; new_line.

with seen as (
    select *
    from amendments
    where coalesce(known_on <= $as_of, true)
        and coalesce(list_contains($file_nos::integer[], new_file_no), true)
)

select
    seen.table_name,
    replace(seen.row_key, chr(0), ' · ') as row_key,
    seen.column_name as column,
    seen.old_value,
    seen.new_value,
    old_labels.label as old_file,
    seen.old_line,
    new_labels.label as new_file,
    seen.new_line
from seen
join file_labels as old_labels on old_labels.file_no = seen.old_file_no
join file_labels as new_labels on new_labels.file_no = seen.new_file_no
order by seen.table_name, seen.row_key, seen.new_file_no, seen.new_line, seen.column_name;
