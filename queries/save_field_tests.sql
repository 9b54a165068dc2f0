-- purpose: take the staged rows of field tests that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column.
-- columns: those of the table field_tests.

insert into field_tests by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        test_id,
        meter_id,
        as_date(tested_on, $date_format) as tested_on,
        as_number(air_pct, $decimal_mark) as air_pct,
        as_number(spec_min_pct, $decimal_mark) as spec_min_pct,
        as_number(spec_max_pct, $decimal_mark) as spec_max_pct,
        placement,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where test_id is not null
        and meter_id is not null
        and tested_on is not null
        and air_pct is not null
        and number_fits(cell.air_pct, air_pct, $bounds, 'air_pct')
        and number_fits(cell.spec_min_pct, spec_min_pct, $bounds, 'spec_min_pct')
        and number_fits(cell.spec_max_pct, spec_max_pct, $bounds, 'spec_max_pct')
        and coalesce(spec_min_pct <= spec_max_pct, true)
)

select * exclude (cell, position) from readable;
