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
