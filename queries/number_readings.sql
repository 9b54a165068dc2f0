-- purpose: number the readings of a file that gives no replicate: each gets the number of its
--   occurrence within its meter, visit, stage and point, after any numbers given there.  Rows held
--   back count too, so that correcting one later renumbers nothing.
-- grain: one row per reading of the file without replicate.
-- parameters: $file_no; $decimal_mark; $date_format, null for ISO.
-- columns: replicate of the table readings.

update readings
set replicate = numbered.replicate
from (
    with taken as (
        select
            line,
            meter_id,
            performed_on,
            coalesce(visit_id, performed_on::varchar) as visit_id,
            stage,
            round(correct_air_pct) as point_pct,
            replicate
        from readings
        where file_no = $file_no
    ),

    held as (
        select
            line,
            meter_id,
            as_date(performed_on, $date_format) as performed_on,
            coalesce(visit_id, as_date(performed_on, $date_format)::varchar) as visit_id,
            stage,
            round(as_number(correct_air_pct, $decimal_mark)) as point_pct,
            as_number(replicate, $decimal_mark)::integer as replicate
        from staged
        anti join taken using (line)
    ),

    every_row as (select * from taken union all select * from held),

    counted as (
        select
            line,
            replicate is null as unnumbered,
            coalesce(max(replicate) over same_sitting, 0) as highest,
            row_number() over (
                partition by meter_id, performed_on, visit_id, stage, point_pct, replicate is null
                order by line
            ) as occurrence
        from every_row
        window same_sitting as (
            partition by meter_id, performed_on, visit_id, stage, point_pct
        )
    )

    select line, highest + occurrence as replicate from counted where unnumbered
) as numbered
where readings.file_no = $file_no and readings.line = numbered.line;
