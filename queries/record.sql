-- statement: rows_in_force
-- purpose: read the rows in force of one small table.
-- grain: one row per row_key of the table.
-- parameters: $in_force, the view of rows in force.
-- columns: those of the input table as drift/intake/columns.py declares them.

with in_force as (from query_table($in_force))

select * exclude (file_no, line, row_key) from in_force order by all;

-- statement: tables_filled
-- purpose: say which small tables hold rows, in force or not, and whether rows were set aside.
-- grain: one row per table_name.
-- parameters: none.
-- columns: table_name.

select 'marks' as table_name where exists (from marks)
union all
select 'meters' as table_name where exists (from meters)
union all
select 'vessels' as table_name where exists (from vessels)
union all
select 'service' as table_name where exists (from service)
union all
select 'responses' as table_name where exists (from responses)
union all
select 'field_tests' as table_name where exists (from field_tests)
union all
select 'bowls' as table_name where exists (from bowls)
union all
select 'equipment' as table_name where exists (from equipment)
union all
select 'people' as table_name where exists (from people)
union all
select 'checks' as table_name where exists (from checks)
union all
select 'studies' as table_name where exists (from studies)
union all
select 'comparisons' as table_name where exists (from comparisons)
union all
select 'decisions' as table_name where exists (from decisions)
union all
select 'changes' as table_name where exists (from changes);

-- statement: held_back
-- purpose: list what was held back by the loads of a store, and what a review's date hides.
-- grain: one row per file, line, column and reason.
-- parameters: $as_of, last day seen, null for all; $file_nos, the files asked for, null for all.
-- columns: file; line; column, empty for a whole row; reason.

with held as (
    select file_no, line, column_name, reason
    from held_back
    anti join superseded_now using (file_no)
),

later as (
    select
        file_no,
        line,
        'performed_on' as column_name,
        'dated after the review''s date, ' || $as_of::date as reason
    from readings_in_force
    where performed_on > $as_of::date
),

everything as (
    select * from held
    union all
    select * from later
)

select distinct
    file_labels.label as file,
    everything.line,
    everything.column_name as column,
    everything.reason
from everything
join file_labels using (file_no)
where coalesce(list_contains($file_nos::integer[], file_no), true)
order by all;

-- statement: held_rows
-- purpose: list the rows that could not be read and name a meter, with the first reason of each.
-- grain: one row per file and line.
-- parameters: $as_of, last day seen, null for all.
-- columns: file; line; table_name; meter_id, as written; dated, the day as written; dated_on, null
--   where it cannot be read; column; reason.

with named as (
    select * from held_rows anti join superseded_now using (file_no)
),

reasons as (
    select
        file_no,
        line,
        min(column_name) as column_name,
        arg_min(reason, column_name) as reason
    from held_back
    group by file_no, line
)

select
    file_labels.label as file,
    named.line,
    named.table_name,
    named.meter_id,
    named.dated,
    named.dated_on,
    reasons.column_name as column,
    reasons.reason
from named
join reasons using (file_no, line)
join file_labels using (file_no)
where coalesce(named.dated_on <= $as_of::date, true)
order by all;

-- statement: amendments
-- purpose: list every value that a later row replaced.
-- grain: one row per new_file, new_line and column.
-- parameters: $as_of, last day seen, null for all; $file_nos, the files asked for, null for all.
-- columns: table_name; row_key, its parts for a reader; column; old_value; new_value; old_file;
--   old_line; new_file; new_line.

with seen as (
    select *
    from amendments
    anti join entries_out using (entry_no)
    where coalesce(known_on <= $as_of, true)
        and coalesce(list_contains($file_nos::integer[], new_file_no), true)
)

select
    seen.table_name,
    replace(seen.row_key, chr(0), ' · ') as row_key,
    seen.column_name as column,
    seen.old_value,
    seen.new_value,
    old_labels.label as old_file,
    seen.old_line,
    new_labels.label as new_file,
    seen.new_line
from seen
join file_labels as old_labels on old_labels.file_no = seen.old_file_no
join file_labels as new_labels on new_labels.file_no = seen.new_file_no
order by seen.table_name, seen.row_key, seen.new_file_no, seen.new_line, seen.column_name;

-- statement: set_aside
-- purpose: list the sets of readings that a person withdrew or moved away, and that no row in force
--   says now.
-- grain: one row per meter_id, visit_id, performed_on and point_pct.
-- parameters: $as_of, last day seen, null for all.
-- columns: meter_id; visit_id, the day where none is given; performed_on; point_pct, to the nearest
--   whole % air; entry_no, the last entry that did so, 0 where rows tell of none.

with aside as (
    select changes_seen.file_no, changes_seen.line, max(changes_seen.entry_no) as entry_no
    from changes_seen
    semi join rows_out using (file_no, line)
    where changes_seen.by_hand
    group by changes_seen.file_no, changes_seen.line
),

stand as (
    select row_key from readings anti join rows_out using (file_no, line)
    anti join files_out using (file_no)
)

select
    readings.meter_id,
    coalesce(readings.visit_id, readings.performed_on::varchar) as visit_id,
    readings.performed_on,
    round(readings.correct_air_pct)::double as point_pct,
    max(aside.entry_no) as entry_no
from readings
join aside using (file_no, line)
anti join stand using (row_key)
where coalesce(readings.performed_on <= $as_of, true)
group by readings.meter_id, visit_id, readings.performed_on, point_pct
order by readings.meter_id, readings.performed_on, visit_id, point_pct;

-- statement: files
-- purpose: list the files that a store was made from.
-- grain: one row per file and sha256; a file read again under another mapping is there again.
-- parameters: $file_nos, the files asked for, null for all.
-- columns: file; sha256; table_name, empty for none; rows; taken; held_back; known; amended; note.

select
    file_labels.label as file,
    files.sha256,
    files.table_name,
    files.rows,
    files.taken,
    files.held_back,
    files.known,
    files.amended,
    files.note
from files
join file_labels using (file_no)
where coalesce(list_contains($file_nos::integer[], file_no), true)
order by files.file_no;
