-- purpose: number the readings of this source that give no replicate: each gets the number of its
--   occurrence in its file within meter, visit, stage and point, after any numbers given there.
--   Rows held back count too, so that correcting one later renumbers nothing.
-- grain: one row per file_no and line of a reading without replicate.
-- parameters: $first_file_no of this source.
-- columns: replicate of the table readings.

update readings
set replicate = numbered.replicate
from (
    with sparse_files as (
        select distinct file_no
        from readings
        where file_no >= $first_file_no and replicate is null
    ),

    every_row as (
        select
            file_no,
            line,
            meter_id,
            performed_on,
            coalesce(visit_id, performed_on::varchar) as visit_id,
            stage,
            round(correct_air_pct) as point_pct,
            replicate
        from readings
        semi join sparse_files using (file_no)
        union all
        select * from held_keys semi join sparse_files using (file_no)
    ),

    counted as (
        select
            file_no,
            line,
            replicate is null as sparse,
            coalesce(max(replicate) over sitting, 0) as highest,
            row_number() over (
                partition by
                    file_no, meter_id, performed_on, visit_id, stage, point_pct, replicate is null
                order by line
            ) as occurrence
        from every_row
        window sitting as (
            partition by file_no, meter_id, performed_on, visit_id, stage, point_pct
        )
    )

    select file_no, line, highest + occurrence as replicate from counted where sparse
) as numbered
where readings.file_no = numbered.file_no and readings.line = numbered.line;
