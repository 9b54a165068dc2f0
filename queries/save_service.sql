-- purpose: take the staged rows of service events that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $date_format, null for ISO; $words, allowed words by column.
-- columns: those of the table service.

insert into service by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(performed_on, $date_format) as performed_on,
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
        and action is not null
        and word_fits(action, $words, 'action')
)

select * exclude (cell, position) from readable;
