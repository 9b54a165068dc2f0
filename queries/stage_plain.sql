-- purpose: number the lines of a file that holds one record a line below one line of header.
-- grain: one row per line.
-- parameters: none; reads the view plain_cells over the file.
-- columns: file_no; line; then those of the input table as text.

create or replace temp view staged as
select file_no, row_number() over () + 1 as line, * exclude (file_no) from plain_cells;
