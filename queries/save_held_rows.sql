-- purpose: keep which meter and which day the staged rows that were not taken name, as written.
-- grain: one row per file_no and line of a row that names a meter.
-- parameters: $table_name; $file_nos, the files staged; $date_format, null for ISO.
-- columns: those of the table held_rows.

insert into held_rows by name
with taken as (
    select file_no, line
    from query_table($table_name)
    where list_contains($file_nos::integer[], file_no)
),

held as (select * from staged anti join taken using (file_no, line)),

dated as (
    select
        file_no,
        line,
        meter_id,
        coalesce(*columns('^(performed_on|tested_on|recorded_on|in_service_on)$')) as dated
    from held
    where meter_id is not null
)

select
    file_no,
    line,
    $table_name as table_name,
    meter_id,
    dated,
    as_date(dated, $date_format) as dated_on
from dated;
