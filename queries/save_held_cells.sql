-- purpose: say of each staged row that was not taken which cells were the cause, and why.
-- grain: one row per file_no, line and column_name of a cell that cannot be used.
-- parameters: $table_name; $file_nos, the files staged; $decimal_mark; $date_format, null for ISO.
-- columns: those of the table held_back.

insert into held_back by name
with taken as (
    select file_no, line
    from query_table($table_name)
    where list_contains($file_nos::integer[], file_no)
),

held as (select * from staged anti join taken using (file_no, line)),

cells as (
    from held
    unpivot include nulls (cell for column_name in (columns(* exclude (file_no, line))))
),

ruled as (
    select
        cells.file_no,
        cells.line,
        cells.column_name,
        cells.cell,
        quoted(cells.cell) as shown,
        as_number(cells.cell, $decimal_mark) as number,
        rules.*
    from cells
    join rules on rules.table_name = $table_name and rules.column_name = cells.column_name
),

judged as (
    select
        file_no,
        line,
        column_name,
        case
            when cell is null then case when required then 'is empty but needed' end
            when kind = 'date' and as_date(cell, $date_format) is null
                then shown || date_problem(cell, $date_format)
            when kind in ('number', 'whole') and number is null
                then shown || number_problem(cell, $decimal_mark)
            when kind = 'whole' and number <> trunc(number) then shown || ' is not a whole number'
            when number not between low and high then cell || out_of_bounds
            when len(words) > 0 and not list_contains(words, cell)
                then shown || word_problem(cell, words)
        end as reason
    from ruled
)

select file_no, line, column_name, reason from judged where reason is not null;
