-- purpose: take the rows of a staged file of responses that can be read whole.
-- grain: one row per line of the file that is neither held back nor empty.
-- parameters: $file_no; $date_format, null for ISO.
-- columns: those of the table responses.

insert into responses by name
with typed as (
    select
        line,
        staged as cell,
        signal_id,
        as_date(recorded_on, $date_format) as recorded_on,
        finding,
        action,
        recorded_by
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

select $file_no as file_no, * exclude (cell, position) from readable;
