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
