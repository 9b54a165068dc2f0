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
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else vessels.remarks
    end
from earlier
where vessels.row_key = earlier.row_key
    and vessels.file_no between $from_file_no and $upto_file_no;
