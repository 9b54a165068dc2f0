-- purpose: name the columns of one table in which any row has a value.
-- grain: one row per column_name.
-- parameters: $table_name; $absent, the columns asked about.
-- columns: column_name.

with counted as (
    select count(columns(lambda name: list_contains($absent, name))) from query_table($table_name)
),

named as (
    from counted unpivot (cells for column_name in (columns(*)))
)

select column_name from named where cells > 0 order by column_name;
