-- statement: columns_filled
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

-- statement: earlier_rows
-- purpose: find what was in force, before some files of this source, of the rows that they give.
-- grain: one row per row_key that is in one of the files and was known before.
-- parameters: $table_name; $in_force, its view of rows in force; $first_file_no of this source;
--   $from_file_no, the first of the files; $upto_file_no, the last.
-- columns: those of the table, in the temporary table earlier.

create or replace temp table earlier as
with before as (
    select * from query_table($in_force) where file_no < $first_file_no
    union all
    select *
    from query_table($table_name)
    where file_no >= $first_file_no and file_no < $from_file_no
),

given as (
    select distinct row_key
    from query_table($table_name)
    where file_no between $from_file_no and $upto_file_no
)

select before.*
from before
semi join given using (row_key)
qualify row_number() over (
    partition by before.row_key order by before.file_no desc, before.line desc
) = 1;

-- statement: fill_readings
-- purpose: let rows of readings whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table readings that it may lack; reads the temporary table earlier.

update readings
set
    resolution_pct = case
        when list_contains($absent, 'resolution_pct') then earlier.resolution_pct
        else readings.resolution_pct
    end,
    vessel_id = case
        when list_contains($absent, 'vessel_id') then earlier.vessel_id
        else readings.vessel_id
    end,
    operator = case
        when list_contains($absent, 'operator') then earlier.operator
        else readings.operator
    end,
    water_temp_c = case
        when list_contains($absent, 'water_temp_c') then earlier.water_temp_c
        else readings.water_temp_c
    end,
    visit_id = case
        when list_contains($absent, 'visit_id') then earlier.visit_id
        else readings.visit_id
    end,
    draws = case
        when list_contains($absent, 'draws') then earlier.draws
        else readings.draws
    end,
    procedure = case
        when list_contains($absent, 'procedure') then earlier.procedure
        else readings.procedure
    end,
    checked_by = case
        when list_contains($absent, 'checked_by') then earlier.checked_by
        else readings.checked_by
    end,
    stated_verdict = case
        when list_contains($absent, 'stated_verdict') then earlier.stated_verdict
        else readings.stated_verdict
    end,
    visit_reason = case
        when list_contains($absent, 'visit_reason') then earlier.visit_reason
        else readings.visit_reason
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else readings.remarks
    end
from earlier
where readings.row_key = earlier.row_key
    and readings.file_no between $from_file_no and $upto_file_no;

-- statement: fill_marks
-- purpose: let rows of marks whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table marks that it may lack; reads the temporary table earlier.

update marks
set
    mark_unit = case
        when list_contains($absent, 'mark_unit') then earlier.mark_unit
        else marks.mark_unit
    end,
    zero_reading_pct = case
        when list_contains($absent, 'zero_reading_pct') then earlier.zero_reading_pct
        else marks.zero_reading_pct
    end,
    operator = case
        when list_contains($absent, 'operator') then earlier.operator
        else marks.operator
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else marks.remarks
    end
from earlier
where marks.row_key = earlier.row_key
    and marks.file_no between $from_file_no and $upto_file_no;

-- statement: fill_meters
-- purpose: let rows of meters whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table meters that it may lack; reads the temporary table earlier.

update meters
set
    in_service_on = case
        when list_contains($absent, 'in_service_on') then earlier.in_service_on
        else meters.in_service_on
    end,
    dial_resolution_pct = case
        when list_contains($absent, 'dial_resolution_pct') then earlier.dial_resolution_pct
        else meters.dial_resolution_pct
    end,
    interval_days = case
        when list_contains($absent, 'interval_days') then earlier.interval_days
        else meters.interval_days
    end,
    chamber_bowl_ratio = case
        when list_contains($absent, 'chamber_bowl_ratio') then earlier.chamber_bowl_ratio
        else meters.chamber_bowl_ratio
    end,
    initial_pressure_kpa = case
        when list_contains($absent, 'initial_pressure_kpa') then earlier.initial_pressure_kpa
        else meters.initial_pressure_kpa
    end,
    status = case
        when list_contains($absent, 'status') then earlier.status
        else meters.status
    end,
    site = case
        when list_contains($absent, 'site') then earlier.site
        else meters.site
    end,
    type = case
        when list_contains($absent, 'type') then earlier.type
        else meters.type
    end,
    maker = case
        when list_contains($absent, 'maker') then earlier.maker
        else meters.maker
    end,
    model = case
        when list_contains($absent, 'model') then earlier.model
        else meters.model
    end,
    serial = case
        when list_contains($absent, 'serial') then earlier.serial
        else meters.serial
    end,
    procedure = case
        when list_contains($absent, 'procedure') then earlier.procedure
        else meters.procedure
    end,
    received_on = case
        when list_contains($absent, 'received_on') then earlier.received_on
        else meters.received_on
    end,
    removed_on = case
        when list_contains($absent, 'removed_on') then earlier.removed_on
        else meters.removed_on
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else meters.remarks
    end
from earlier
where meters.row_key = earlier.row_key
    and meters.file_no between $from_file_no and $upto_file_no;

-- statement: fill_vessels
-- purpose: let rows of vessels whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table vessels that it may lack; reads the temporary table earlier.

update vessels
set
    air_pct = case
        when list_contains($absent, 'air_pct') then earlier.air_pct
        else vessels.air_pct
    end,
    water_mass_g = case
        when list_contains($absent, 'water_mass_g') then earlier.water_mass_g
        else vessels.water_mass_g
    end,
    bowl_water_mass_g = case
        when list_contains($absent, 'bowl_water_mass_g') then earlier.bowl_water_mass_g
        else vessels.bowl_water_mass_g
    end,
    u_air_pct = case
        when list_contains($absent, 'u_air_pct') then earlier.u_air_pct
        else vessels.u_air_pct
    end,
    stamped_pct = case
        when list_contains($absent, 'stamped_pct') then earlier.stamped_pct
        else vessels.stamped_pct
    end,
    meter_id = case
        when list_contains($absent, 'meter_id') then earlier.meter_id
        else vessels.meter_id
    end,
    water_temp_c = case
        when list_contains($absent, 'water_temp_c') then earlier.water_temp_c
        else vessels.water_temp_c
    end,
    scale_id = case
        when list_contains($absent, 'scale_id') then earlier.scale_id
        else vessels.scale_id
    end,
    certificate = case
        when list_contains($absent, 'certificate') then earlier.certificate
        else vessels.certificate
    end,
    due_on = case
        when list_contains($absent, 'due_on') then earlier.due_on
        else vessels.due_on
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else vessels.remarks
    end
from earlier
where vessels.row_key = earlier.row_key
    and vessels.file_no between $from_file_no and $upto_file_no;

-- statement: fill_service
-- purpose: let rows of service whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table service that it may lack; reads the temporary table earlier.

update service
set
    operator = case
        when list_contains($absent, 'operator') then earlier.operator
        else service.operator
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else service.remarks
    end
from earlier
where service.row_key = earlier.row_key
    and service.file_no between $from_file_no and $upto_file_no;

-- statement: fill_responses
-- purpose: let rows of responses whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table responses that it may lack; reads the temporary table earlier.

update responses
set
    meter_id = case
        when list_contains($absent, 'meter_id') then earlier.meter_id
        else responses.meter_id
    end
from earlier
where responses.row_key = earlier.row_key
    and responses.file_no between $from_file_no and $upto_file_no;

-- statement: fill_field_tests
-- purpose: let rows of field_tests whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table field_tests that it may lack; reads the temporary table earlier.

update field_tests
set
    spec_min_pct = case
        when list_contains($absent, 'spec_min_pct') then earlier.spec_min_pct
        else field_tests.spec_min_pct
    end,
    spec_max_pct = case
        when list_contains($absent, 'spec_max_pct') then earlier.spec_max_pct
        else field_tests.spec_max_pct
    end,
    correction_pct = case
        when list_contains($absent, 'correction_pct') then earlier.correction_pct
        else field_tests.correction_pct
    end,
    placement = case
        when list_contains($absent, 'placement') then earlier.placement
        else field_tests.placement
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else field_tests.remarks
    end
from earlier
where field_tests.row_key = earlier.row_key
    and field_tests.file_no between $from_file_no and $upto_file_no;
