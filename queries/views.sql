-- purpose: the rows in force of each table, the names that files go by, and how words are joined
--   and dates told, made anew in each connection, so that a store holds tables alone and nothing
--   in it is run.
-- grain: seen, one row; rows_out, one row per file_no and line that is not in force; files_out,
--   one row per file_no of which nothing is; entries_out, one row per entry_no that was undone;
--   those in force, that of the table; superseded_now and file_labels, one row per file_no.
-- parameters: none.
-- columns: those of the table; file_no; line; by_hand, whether a person set the row aside;
--   entry_no; label.

-- What is on record is seen up to an entry of the journal; loads from before there was one, up to a
-- day.
create or replace temp table seen as
select 2147483647 as upto_entry, date '9999-12-31' as upto_day;

create temp view changes_seen as
select changes.* from changes join seen on changes.entry_no <= seen.upto_entry;

create temp view rows_out as
select file_no, line, arg_max(by_hand, entry_no) as by_hand
from changes_seen
where line is not null
group by file_no, line
having not arg_max(in_force, entry_no);

create temp view files_out as
select files.file_no
from files
join loads using (load_no)
cross join seen
where coalesce(loads.entry_no > seen.upto_entry, loads.loaded_at::date > seen.upto_day)
union
select file_no
from changes_seen
where line is null
group by file_no
having not arg_max(in_force, entry_no);

create temp view entries_out as
select undone.of_entry_no as entry_no
from undone
join seen on undone.entry_no <= seen.upto_entry
group by undone.of_entry_no
having arg_max(undone.is_undone, undone.entry_no);

create temp view readings_in_force as
select *
from readings
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view marks_in_force as
select *
from marks
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view meters_in_force as
select *
from meters
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view vessels_in_force as
select *
from vessels
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view service_in_force as
select *
from service
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view responses_in_force as
select *
from responses
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view field_tests_in_force as
select *
from field_tests
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view bowls_in_force as
select *
from bowls
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view equipment_in_force as
select *
from equipment
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view people_in_force as
select *
from people
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view checks_in_force as
select *
from checks
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view studies_in_force as
select *
from studies
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view comparisons_in_force as
select *
from comparisons
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view decisions_in_force as
select *
from decisions
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

create temp view superseded_now as
select superseded.file_no
from superseded
anti join files_out on superseded.by_file_no = files_out.file_no;

-- A file goes by its own name while all loads came from folders of one name; what a person entered
-- came from none.
create temp view file_labels as
with files_seen as (
    select files.file_no, files.file, loads.source_name
    from files
    join loads using (load_no)
    anti join files_out using (file_no)
)

select
    file_no,
    case
        when source_name <> ''
            and (select count(distinct source_name) from files_seen where source_name <> '') > 1
            then source_name || '/' || file
        else file
    end as label
from files_seen;

create or replace temp macro joined_words(words) as
case
    when list_min(words) = list_max(words) then words[1]
    else array_to_string(list_sort(list_distinct(words)), ' + ')
end;

-- A date is written in ten signs in the one way in which it is told again; to ask so takes half as
-- long as a pattern.
create or replace temp macro iso_date(cell) as
case
    when strlen(cell) = 10 and try_cast(cell as date)::varchar = cell then try_cast(cell as date)
end;
