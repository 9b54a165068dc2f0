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
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else meters.remarks
    end
from earlier
where meters.row_key = earlier.row_key
    and meters.file_no between $from_file_no and $upto_file_no;
