-- purpose: keep what can be read of the keys of staged readings that were not taken.
-- grain: one row per file_no and line.
-- parameters: $file_nos, the files staged; $decimal_mark; $date_format, null for ISO.
-- columns: those of the table held_keys.

insert into held_keys by name
with taken as (
    select file_no, line from readings where list_contains($file_nos::integer[], file_no)
),

held as (select * from staged anti join taken using (file_no, line)),

dated as (select *, as_date(performed_on, $date_format) as day from held)

select
    file_no,
    line,
    meter_id,
    day as performed_on,
    coalesce(visit_id, day::varchar) as visit_id,
    stage,
    round(as_number(correct_air_pct, $decimal_mark)) as point_pct,
    as_number(replicate, $decimal_mark) as replicate
from dated;
