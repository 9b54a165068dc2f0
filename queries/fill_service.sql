-- purpose: let rows of service whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table service that it may lack; reads the temporary table earlier.

update service
set
    operator = case
        when list_contains($absent, 'operator') then earlier.operator
        else service.operator
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else service.remarks
    end
from earlier
where service.row_key = earlier.row_key
    and service.file_no between $from_file_no and $upto_file_no;
