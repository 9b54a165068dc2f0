-- purpose: take the staged rows of pressure marks that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table marks.

insert into marks by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(performed_on, $date_format) as performed_on,
        as_number(mark, $decimal_mark) as mark,
        mark_unit,
        as_number(zero_reading_pct, $decimal_mark) as zero_reading_pct,
        action,
        operator,
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
        and mark is not null
        and number_fits(cell.mark, mark, $bounds, 'mark')
        and word_fits(mark_unit, $words, 'mark_unit')
        and number_fits(cell.zero_reading_pct, zero_reading_pct, $bounds, 'zero_reading_pct')
        and action is not null
        and word_fits(action, $words, 'action')
)

select * exclude (cell, position) from readable;
