-- purpose: take the staged rows of responses that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $date_format, null for ISO.
-- columns: those of the table responses.

insert into responses by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        signal_id,
        as_date(recorded_on, $date_format) as recorded_on,
        finding,
        action,
        recorded_by,
        meter_id
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where signal_id is not null
        and recorded_on is not null
        and finding is not null
        and action is not null
        and recorded_by is not null
)

select * exclude (cell, position) from readable;
