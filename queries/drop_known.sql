-- purpose: take out again what was just saved and turned out to add nothing, before the commit.
-- grain: one row per row known or repeated; file numbers differ from table to table.
-- parameters: none; reads the temporary table outcomes.
-- columns: none.

delete from readings
where (file_no, line) in (select (file_no, line) from outcomes where outcome in ('known', 'repeat'));

delete from marks
where (file_no, line) in (select (file_no, line) from outcomes where outcome in ('known', 'repeat'));

delete from meters
where (file_no, line) in (select (file_no, line) from outcomes where outcome in ('known', 'repeat'));

delete from vessels
where (file_no, line) in (select (file_no, line) from outcomes where outcome in ('known', 'repeat'));

delete from service
where (file_no, line) in (select (file_no, line) from outcomes where outcome in ('known', 'repeat'));

delete from responses
where (file_no, line) in (select (file_no, line) from outcomes where outcome in ('known', 'repeat'));

delete from field_tests
where (file_no, line) in (select (file_no, line) from outcomes where outcome in ('known', 'repeat'));
