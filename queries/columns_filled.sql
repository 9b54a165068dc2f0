-- purpose: name the columns of one table in which any row has a value.
-- grain: one row per column_name.
-- parameters: $table_name.
-- columns: column_name.

with counted as (
    select count(columns(* exclude (file_no, line, row_key))) from query_table($table_name)
),

named as (
    from counted unpivot (cells for column_name in (columns(*)))
)

select column_name from named where cells > 0 order by column_name;
