-- purpose: take the staged rows of meters that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table meters.

insert into meters by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(in_service_on, $date_format) as in_service_on,
        as_number(dial_resolution_pct, $decimal_mark) as dial_resolution_pct,
        as_number(interval_days, $decimal_mark) as interval_days,
        as_number(chamber_bowl_ratio, $decimal_mark) as chamber_bowl_ratio,
        as_number(initial_pressure_kpa, $decimal_mark) as initial_pressure_kpa,
        status,
        site,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where meter_id is not null
        and date_fits(cell.in_service_on, in_service_on)
        and number_fits(
            cell.dial_resolution_pct, dial_resolution_pct, $bounds, 'dial_resolution_pct'
        )
        and whole_fits(cell.interval_days, interval_days, $bounds, 'interval_days')
        and number_fits(cell.chamber_bowl_ratio, chamber_bowl_ratio, $bounds, 'chamber_bowl_ratio')
        and number_fits(
            cell.initial_pressure_kpa, initial_pressure_kpa, $bounds, 'initial_pressure_kpa'
        )
        and word_fits(status, $words, 'status')
)

select * exclude (cell, position) from readable;
