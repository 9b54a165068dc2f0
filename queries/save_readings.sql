-- purpose: take the staged rows of readings that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table readings; replicate null where the file gives none.

insert into readings by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(performed_on, $date_format) as performed_on,
        stage,
        as_number(correct_air_pct, $decimal_mark) as correct_air_pct,
        as_number(reading_air_pct, $decimal_mark) as reading_air_pct,
        as_number(replicate, $decimal_mark) as replicate,
        as_number(resolution_pct, $decimal_mark) as resolution_pct,
        vessel_id,
        operator,
        as_number(water_temp_c, $decimal_mark) as water_temp_c,
        visit_id,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where meter_id is not null
        and performed_on is not null
        and stage is not null
        and word_fits(stage, $words, 'stage')
        and correct_air_pct is not null
        and number_fits(cell.correct_air_pct, correct_air_pct, $bounds, 'correct_air_pct')
        and reading_air_pct is not null
        and number_fits(cell.reading_air_pct, reading_air_pct, $bounds, 'reading_air_pct')
        and whole_fits(cell.replicate, replicate, $bounds, 'replicate')
        and number_fits(cell.resolution_pct, resolution_pct, $bounds, 'resolution_pct')
        and number_fits(cell.water_temp_c, water_temp_c, $bounds, 'water_temp_c')
)

select * exclude (cell, position) from readable;
