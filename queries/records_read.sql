-- purpose: count the lines and the records of the files that are being read.
-- grain: one row per file_no with a line below its header.
-- parameters: none; reads the views file_lines and cells.
-- columns: file_no; lines, those below the header; rows, the records that have content; unsplit,
--   those of them that could not be split into cells.

with lines as (select file_no, count(*) as lines from file_lines group by file_no),

rows as (
    select file_no, count(*) as rows, count(problem) as unsplit
    from cells
    where problem is distinct from ''
    group by file_no
)

select
    lines.file_no,
    lines.lines,
    coalesce(rows.rows, 0) as rows,
    coalesce(rows.unsplit, 0) as unsplit
from lines
left join rows using (file_no)
order by lines.file_no;
