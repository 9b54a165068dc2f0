-- purpose: find what was in force, before some files of this source, of the rows that they give.
-- grain: one row per row_key that is in one of the files and was known before.
-- parameters: $table_name; $in_force, its view of rows in force; $first_file_no of this source;
--   $from_file_no, the first of the files; $upto_file_no, the last.
-- columns: those of the table, in the temporary table earlier.

create or replace temp table earlier as
with before as (
    select * from query_table($in_force) where file_no < $first_file_no
    union all
    select *
    from query_table($table_name)
    where file_no >= $first_file_no and file_no < $from_file_no
),

given as (
    select distinct row_key
    from query_table($table_name)
    where file_no between $from_file_no and $upto_file_no
)

select before.*
from before
semi join given using (row_key)
qualify row_number() over (
    partition by before.row_key order by before.file_no desc, before.line desc
) = 1;
