-- purpose: list the rows that could not be read and name a meter, with the first reason of each.
-- grain: one row per file and line.
-- parameters: $as_of, last day seen, null for all.
-- columns: file; line; table_name; meter_id, as written; dated, the day as written; dated_on, null
--   where it cannot be read; column; reason.

with named as (
    select * from held_rows anti join superseded using (file_no)
),

reasons as (
    select
        file_no,
        line,
        min(column_name) as column_name,
        arg_min(reason, column_name) as reason
    from held_back
    group by file_no, line
)

select
    file_labels.label as file,
    named.line,
    named.table_name,
    named.meter_id,
    named.dated,
    named.dated_on,
    reasons.column_name as column,
    reasons.reason
from named
join reasons using (file_no, line)
join file_labels using (file_no)
where coalesce(named.dated_on <= $as_of::date, true)
order by all;
