-- purpose: count the rows of this source that could be read whole, of one table.
-- grain: one row per file_no.
-- parameters: $table_name; $first_file_no of this source.
-- columns: file_no; rows.

select file_no, count(*) as rows
from query_table($table_name)
where file_no >= $first_file_no
group by file_no
order by file_no;
