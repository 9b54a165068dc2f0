-- purpose: let rows of field_tests whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table field_tests that it may lack; reads the temporary table earlier.

update field_tests
set
    spec_min_pct = case
        when list_contains($absent, 'spec_min_pct') then earlier.spec_min_pct
        else field_tests.spec_min_pct
    end,
    spec_max_pct = case
        when list_contains($absent, 'spec_max_pct') then earlier.spec_max_pct
        else field_tests.spec_max_pct
    end,
    placement = case
        when list_contains($absent, 'placement') then earlier.placement
        else field_tests.placement
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else field_tests.remarks
    end
from earlier
where field_tests.row_key = earlier.row_key
    and field_tests.file_no between $from_file_no and $upto_file_no;
