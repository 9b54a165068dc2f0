-- purpose: take the staged rows of calibration vessels that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column.
-- columns: those of the table vessels.

insert into vessels by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        vessel_id,
        as_date(calibrated_on, $date_format) as calibrated_on,
        as_number(air_pct, $decimal_mark) as air_pct,
        as_number(water_mass_g, $decimal_mark) as water_mass_g,
        as_number(bowl_water_mass_g, $decimal_mark) as bowl_water_mass_g,
        as_number(u_air_pct, $decimal_mark) as u_air_pct,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where vessel_id is not null
        and calibrated_on is not null
        and number_fits(cell.air_pct, air_pct, $bounds, 'air_pct')
        and number_fits(cell.water_mass_g, water_mass_g, $bounds, 'water_mass_g')
        and number_fits(cell.bowl_water_mass_g, bowl_water_mass_g, $bounds, 'bowl_water_mass_g')
        and number_fits(cell.u_air_pct, u_air_pct, $bounds, 'u_air_pct')
        and number_fits(
            1, coalesce(air_pct, 100 * water_mass_g / bowl_water_mass_g), $bounds, 'air_pct'
        )
)

select * exclude (cell, position) from readable;
