-- purpose: find the earlier loads of files that now came again with all they once gave, so that
--   what was held back of them then is no longer listed: it was read again, and judged again.
-- grain: one row per earlier file.
-- parameters: $table_name; $source_name; $file_names and $file_nos, the files that came, in step;
--   $first_file_no of this source.
-- columns: those of the table superseded.

insert into superseded by name
with earlier as (
    select files.file_no, files.file
    from files
    join loads using (load_no)
    anti join superseded using (file_no)
    where loads.source_name = $source_name and files.file_no < $first_file_no
),

came as (
    select unnest($file_names::varchar[]) as file, unnest($file_nos::integer[]) as file_no
),

pairs as (
    select earlier.file_no, came.file_no as by_file_no
    from earlier
    join came using (file)
),

rows_then as (
    select pairs.file_no, pairs.by_file_no, saved.row_key
    from pairs
    join query_table($table_name) as saved using (file_no)
),

rows_now as (
    select saved.file_no as by_file_no, saved.row_key
    from query_table($table_name) as saved
    where saved.file_no >= $first_file_no
),

lost as (
    select distinct file_no from rows_then anti join rows_now using (by_file_no, row_key)
)

select pairs.file_no, pairs.by_file_no
from pairs
anti join lost using (file_no);
