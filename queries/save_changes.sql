-- statement: save_held_repeats
-- purpose: hold back rows that say what an earlier line of their file says.
-- grain: one row per row that repeats another.
-- parameters: none; reads the temporary table outcomes.
-- columns: those of the table held_back; column_name is empty, since it is the whole row.

insert into held_back by name
select file_no, line, '' as column_name, 'repeats line ' || first_line as reason
from outcomes
where outcome = 'repeat';

-- statement: save_amendments
-- purpose: list what the amending rows of one table changed.
-- grain: one row per amending row and column with another value.
-- parameters: $table_name; $entry_no, the entry of the journal, 0 for none.
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
    ruled.new_line,
    $entry_no as entry_no
from ruled
join outcomes on outcomes.file_no = ruled.new_file_no and outcomes.line = ruled.new_line
where ruled.old_value is distinct from ruled.new_value;

-- statement: save_replaced
-- purpose: note which rows are no longer in force, since another took their place.
-- grain: one row per row replaced.
-- parameters: $entry_no, the entry of the journal, 0 for none; $is_by_hand, whether a person
--   amends; reads the temporary table outcomes.
-- columns: those of the table changes.

insert into changes by name
select
    $entry_no as entry_no,
    prior_file_no as file_no,
    prior_line as line,
    false as in_force,
    $is_by_hand as by_hand
from outcomes
where outcome = 'amends';

-- statement: drop_known
-- purpose: take out again, before the commit, what was just saved and turned out to add nothing.
-- grain: one row per row known or repeated; file numbers differ from table to table.
-- parameters: none; reads the temporary table outcomes.
-- columns: none.

create or replace temp table nothing_new as
select file_no, line from outcomes where outcome in ('known', 'repeat');

delete from readings using nothing_new
where readings.file_no = nothing_new.file_no and readings.line = nothing_new.line;

delete from marks using nothing_new
where marks.file_no = nothing_new.file_no and marks.line = nothing_new.line;

delete from meters using nothing_new
where meters.file_no = nothing_new.file_no and meters.line = nothing_new.line;

delete from vessels using nothing_new
where vessels.file_no = nothing_new.file_no and vessels.line = nothing_new.line;

delete from service using nothing_new
where service.file_no = nothing_new.file_no and service.line = nothing_new.line;

delete from responses using nothing_new
where responses.file_no = nothing_new.file_no and responses.line = nothing_new.line;

delete from field_tests using nothing_new
where field_tests.file_no = nothing_new.file_no and field_tests.line = nothing_new.line;

delete from bowls using nothing_new
where bowls.file_no = nothing_new.file_no and bowls.line = nothing_new.line;

delete from equipment using nothing_new
where equipment.file_no = nothing_new.file_no and equipment.line = nothing_new.line;

delete from people using nothing_new
where people.file_no = nothing_new.file_no and people.line = nothing_new.line;

delete from checks using nothing_new
where checks.file_no = nothing_new.file_no and checks.line = nothing_new.line;

delete from studies using nothing_new
where studies.file_no = nothing_new.file_no and studies.line = nothing_new.line;

delete from comparisons using nothing_new
where comparisons.file_no = nothing_new.file_no and comparisons.line = nothing_new.line;

delete from decisions using nothing_new
where decisions.file_no = nothing_new.file_no and decisions.line = nothing_new.line;
