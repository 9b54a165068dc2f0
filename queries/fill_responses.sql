-- purpose: let rows of responses whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table responses that it may lack; reads the temporary table earlier.

update responses
set
    meter_id = case
        when list_contains($absent, 'meter_id') then earlier.meter_id
        else responses.meter_id
    end
from earlier
where responses.row_key = earlier.row_key
    and responses.file_no between $from_file_no and $upto_file_no;
