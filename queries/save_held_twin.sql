-- purpose: hold back of a copy of a file what was held back of the file itself.
-- grain: one row per line, column and reason.
-- parameters: $file_no of the copy; $twin_file_no of the file that was read.
-- columns: those of the table held_back.

insert into held_back by name
select $file_no as file_no, line, column_name, reason
from held_back
where file_no = $twin_file_no;
