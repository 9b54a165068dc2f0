-- purpose: count the lines of this source that were held back.
-- grain: one row per file_no.
-- parameters: $first_file_no of this source.
-- columns: file_no; lines.

select file_no, count(distinct line) as lines
from held_back
where file_no >= $first_file_no
group by file_no
order by file_no;
