-- purpose: list what was held back by the loads of a store, and what a review's date hides.
-- grain: one row per file, line, column and reason.
-- parameters: $as_of, last day seen, null for all; $file_nos, the files asked for, null for all.
-- columns: file; line; column, empty for a whole row; reason.

with held as (
    select file_no, line, column_name, reason
    from held_back
    anti join superseded using (file_no)
),

later as (
    select
        file_no,
        line,
        'performed_on' as column_name,
        'dated after the review''s date, ' || $as_of::date as reason
    from readings_in_force
    where performed_on > $as_of::date
),

everything as (
    select * from held
    union all
    select * from later
)

select distinct
    file_labels.label as file,
    everything.line,
    everything.column_name as column,
    everything.reason
from everything
join file_labels using (file_no)
where coalesce(list_contains($file_nos::integer[], file_no), true)
order by all;
