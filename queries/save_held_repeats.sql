-- purpose: hold back rows that say what an earlier line of their file says.
-- grain: one row per row that repeats another.
-- parameters: none; reads the temporary table outcomes.
-- columns: those of the table held_back; column_name is empty, since it is the whole row.

insert into held_back by name
select file_no, line, '' as column_name, 'repeats line ' || first_line as reason
from outcomes
where outcome = 'repeat';
