-- purpose: note which rows are no longer in force, and which row took their place.
-- grain: one row per row replaced.
-- parameters: none; reads the temporary table outcomes.
-- columns: those of the table replaced; version counts the forms of a row from 1.

insert into replaced by name
select
    prior_file_no as file_no,
    prior_line as line,
    version - 1 as version,
    file_no as by_file_no,
    line as by_line
from outcomes
where outcome = 'amends';
