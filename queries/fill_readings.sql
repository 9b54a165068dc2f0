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
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else readings.remarks
    end
from earlier
where readings.row_key = earlier.row_key
    and readings.file_no between $from_file_no and $upto_file_no;
