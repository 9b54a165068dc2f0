-- purpose: count what became of the rows that were not simply new.
-- grain: one row per file_no and outcome.
-- parameters: none; reads the temporary table outcomes.
-- columns: file_no; outcome; rows.

select file_no, outcome, count(*) as rows
from outcomes
where outcome <> 'stored'
group by all
order by all;
