-- purpose: the rows in force of each table, the names that files go by, and how words are joined
--   and dates told, made anew in each connection, so that a store holds tables alone and nothing
--   in it is run.
-- grain: that of the table without the rows named in `replaced`; file_labels: one row per file_no.
-- parameters: none.
-- columns: those of the table; file_no; label.

create temp view readings_in_force as
select * from readings anti join replaced using (file_no, line);

create temp view marks_in_force as
select * from marks anti join replaced using (file_no, line);

create temp view meters_in_force as
select * from meters anti join replaced using (file_no, line);

create temp view vessels_in_force as
select * from vessels anti join replaced using (file_no, line);

create temp view service_in_force as
select * from service anti join replaced using (file_no, line);

create temp view responses_in_force as
select * from responses anti join replaced using (file_no, line);

create temp view field_tests_in_force as
select * from field_tests anti join replaced using (file_no, line);

create temp view bowls_in_force as
select * from bowls anti join replaced using (file_no, line);

create temp view equipment_in_force as
select * from equipment anti join replaced using (file_no, line);

create temp view people_in_force as
select * from people anti join replaced using (file_no, line);

create temp view checks_in_force as
select * from checks anti join replaced using (file_no, line);

create temp view studies_in_force as
select * from studies anti join replaced using (file_no, line);

create temp view comparisons_in_force as
select * from comparisons anti join replaced using (file_no, line);

create temp view decisions_in_force as
select * from decisions anti join replaced using (file_no, line);

-- A file goes by its own name while all loads came from folders of one name.
create temp view file_labels as
select
    files.file_no,
    case
        when (select count(distinct source_name) from loads) > 1
            then loads.source_name || '/' || files.file
        else files.file
    end as label
from files
join loads using (load_no);

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
