-- statement: stage_batch
-- purpose: put the rows of small files where the rows of a large one would be.
-- grain: one row per file_no and line.
-- parameters: none; reads the registered frame rows_read.
-- columns: file_no; line; then those of the input table as text.

create or replace temp view staged as select * from rows_read;

-- statement: stage_plain
-- purpose: number the lines of a file that holds one record a line below one line of header.
-- grain: one row per line.
-- parameters: none; reads the view plain_cells over the file.
-- columns: file_no; line; then those of the input table as text.

create or replace temp view staged as
select file_no, row_number() over () + 1 as line, * exclude (file_no) from plain_cells;

-- statement: rounded_numbers
-- purpose: count the staged numbers that have more decimals than the store keeps.
-- grain: one row per file_no with such a number.
-- parameters: $table_name; $decimal_mark.
-- columns: file_no; numbers.

with cells as (
    from staged
    unpivot (cell for column_name in (columns(* exclude (file_no, line))))
)

select cells.file_no, count(*) as numbers
from cells
join rules on rules.table_name = $table_name and rules.column_name = cells.column_name
where rules.kind = 'number'
    and as_number(cells.cell, $decimal_mark)
    <> try_cast(plain_digits(cells.cell, $decimal_mark) as decimal(38, 26))
group by cells.file_no
order by cells.file_no;
