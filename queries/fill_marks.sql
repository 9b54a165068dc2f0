-- purpose: let rows of marks whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table marks that it may lack; reads the temporary table earlier.

update marks
set
    mark_unit = case
        when list_contains($absent, 'mark_unit') then earlier.mark_unit
        else marks.mark_unit
    end,
    zero_reading_pct = case
        when list_contains($absent, 'zero_reading_pct') then earlier.zero_reading_pct
        else marks.zero_reading_pct
    end,
    operator = case
        when list_contains($absent, 'operator') then earlier.operator
        else marks.operator
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else marks.remarks
    end
from earlier
where marks.row_key = earlier.row_key
    and marks.file_no between $from_file_no and $upto_file_no;
