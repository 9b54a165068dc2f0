-- purpose: let the rows of some files of one table be read, whatever the order of their columns.
-- grain: one row per file_no and line of a record that could be split.
-- parameters: none; reads the registered relation rows_read.
-- columns: file_no; line; then those of the input table as text.

create or replace temp view staged as select * from rows_read;
