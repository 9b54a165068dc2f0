-- purpose: list what the amending rows of one table changed.
-- grain: one row per amending row and column with another value.
-- parameters: $table_name.
-- columns: those of the table amendments; known_on is the date from which the new row was known.

insert into amendments by name
with addressed as (
    select file_no, line, file_no as new_file_no, line as new_line, 'now' as side
    from outcomes
    where outcome = 'amends'
    union all
    select prior_file_no, prior_line, file_no, line, 'once'
    from outcomes
    where outcome = 'amends'
),

versions as (
    select * exclude (file_no, line, row_key)
    from query_table($table_name)
    join addressed using (file_no, line)
),

texts as (
    select
        new_file_no,
        new_line,
        side,
        columns(* exclude (new_file_no, new_line, side))::varchar
    from versions
),

cells as (
    from texts
    unpivot include nulls (
        value for column_name in (columns(* exclude (new_file_no, new_line, side)))
    )
),

compared as (
    select
        new_file_no,
        new_line,
        column_name,
        max(value) filter (where side = 'once') as old_text,
        max(value) filter (where side = 'now') as new_text
    from cells
    group by new_file_no, new_line, column_name
),

ruled as (
    select
        compared.*,
        as_written(compared.old_text, rules.kind) as old_value,
        as_written(compared.new_text, rules.kind) as new_value,
        max(case when rules.known_from then new_text end) over (
            partition by compared.new_file_no, compared.new_line
        )::date as known_on
    from compared
    join rules
        on rules.table_name = $table_name and rules.column_name = compared.column_name
)

select
    $table_name as table_name,
    outcomes.row_key,
    ruled.column_name,
    ruled.old_value,
    ruled.new_value,
    ruled.known_on,
    outcomes.prior_file_no as old_file_no,
    outcomes.prior_line as old_line,
    ruled.new_file_no,
    ruled.new_line
from ruled
join outcomes on outcomes.file_no = ruled.new_file_no and outcomes.line = ruled.new_line
where ruled.old_value is distinct from ruled.new_value;
