-- purpose: put the rows of small files where the rows of a large one would be.
-- grain: one row per file_no and line.
-- parameters: none; reads the registered frame rows_read.
-- columns: file_no; line; then those of the input table as text.

create or replace temp view staged as select * from rows_read;
