-- purpose: read the rows in force of one small table.
-- grain: one row per row_key of the table.
-- parameters: $in_force, the view of rows in force.
-- columns: those of the input table as drift/intake/columns.py declares them.

with in_force as (from query_table($in_force))

select * exclude (file_no, line, row_key) from in_force order by all;
