-- purpose: list what the amending rows of one table changed.
-- grain: one row per amending row and column with another value.
-- parameters: $table_name.
-- columns: those of the table amendments; known_on is the date from which the new row was known.

insert into amendments by name
with versions as (
    select
        file_no,
        line,
        columns(* exclude (file_no, line, row_key))::varchar
    from query_table($table_name)
    where (file_no, line) in (select (file_no, line) from outcomes where outcome = 'amends')
        or (file_no, line) in (select (prior_file_no, prior_line) from outcomes where outcome = 'amends')
),

cells as (
    from versions
    unpivot include nulls (value for column_name in (columns(* exclude (file_no, line))))
),

shown as (
    select
        cells.file_no,
        cells.line,
        cells.column_name,
        case
            when rules.kind = 'number' then trimmed_digits(cells.value) else cells.value
        end as value,
        rules.known_from
    from cells
    join rules on rules.table_name = $table_name and rules.column_name = cells.column_name
),

known as (
    select file_no, line, value::date as known_on from shown where known_from
),

changed as (
    select
        $table_name as table_name,
        outcomes.row_key,
        now_said.column_name,
        once_said.value as old_value,
        now_said.value as new_value,
        known.known_on,
        outcomes.prior_file_no as old_file_no,
        outcomes.prior_line as old_line,
        outcomes.file_no as new_file_no,
        outcomes.line as new_line
    from outcomes
    join shown as now_said
        on now_said.file_no = outcomes.file_no and now_said.line = outcomes.line
    join shown as once_said
        on once_said.file_no = outcomes.prior_file_no
        and once_said.line = outcomes.prior_line
        and once_said.column_name = now_said.column_name
    left join known on known.file_no = outcomes.file_no and known.line = outcomes.line
    where outcomes.outcome = 'amends'
        and once_said.value is distinct from now_said.value
)

select * from changed;
