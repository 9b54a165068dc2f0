-- statement: unnumbered
-- purpose: count the rows of one table of this source that give no replicate.
-- grain: one row.
-- parameters: $table_name; $first_file_no of this source.
-- columns: rows.

select count(*) as rows
from query_table($table_name)
where file_no >= $first_file_no and replicate is null;

-- statement: number_readings
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
        select * exclude (sitting) from held_keys semi join sparse_files using (file_no)
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

-- statement: number_checks
-- purpose: number the checks of this source that give no replicate, as `number_readings`.
-- grain: one row per file_no and line of a row without replicate.
-- parameters: $first_file_no of this source.
-- columns: replicate of the table checks.

update checks
set replicate = numbered.replicate
from (
    with sparse_files as (
        select distinct file_no from checks where file_no >= $first_file_no and replicate is null
    ),

    every_row as (
        select
            file_no,
            line,
            check_sitting(meter_id, performed_on, "check", expected) as sitting,
            replicate
        from checks
        semi join sparse_files using (file_no)
        union all
        select file_no, line, sitting, replicate
        from held_keys
        semi join sparse_files using (file_no)
    ),

    counted as (
        select
            file_no,
            line,
            replicate is null as sparse,
            coalesce(max(replicate) over alike, 0) as highest,
            row_number() over (
                partition by file_no, sitting, replicate is null order by line
            ) as occurrence
        from every_row
        window alike as (partition by file_no, sitting)
    )

    select file_no, line, highest + occurrence as replicate from counted where sparse
) as numbered
where checks.file_no = numbered.file_no and checks.line = numbered.line;

-- statement: number_studies
-- purpose: number readings of studies of this source that give no replicate, as `number_readings`.
-- grain: one row per file_no and line of a row without replicate.
-- parameters: $first_file_no of this source.
-- columns: replicate of the table studies.

update studies
set replicate = numbered.replicate
from (
    with sparse_files as (
        select distinct file_no from studies where file_no >= $first_file_no and replicate is null
    ),

    every_row as (
        select
            file_no,
            line,
            study_sitting(
                study_id, meter_id, performed_on, visit_id, stage, correct_air_pct, vessel_id,
                operator
            ) as sitting,
            replicate
        from studies
        semi join sparse_files using (file_no)
        union all
        select file_no, line, sitting, replicate
        from held_keys
        semi join sparse_files using (file_no)
    ),

    counted as (
        select
            file_no,
            line,
            replicate is null as sparse,
            coalesce(max(replicate) over alike, 0) as highest,
            row_number() over (
                partition by file_no, sitting, replicate is null order by line
            ) as occurrence
        from every_row
        window alike as (partition by file_no, sitting)
    )

    select file_no, line, highest + occurrence as replicate from counted where sparse
) as numbered
where studies.file_no = numbered.file_no and studies.line = numbered.line;
