-- statement: fill_bowls
-- purpose: let rows of bowls whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table bowls that it may lack; reads the temporary table earlier.

update bowls
set
    bowl_water_mass_g = case
        when list_contains($absent, 'bowl_water_mass_g') then earlier.bowl_water_mass_g
        else bowls.bowl_water_mass_g
    end,
    bowl_volume_l = case
        when list_contains($absent, 'bowl_volume_l') then earlier.bowl_volume_l
        else bowls.bowl_volume_l
    end,
    u = case
        when list_contains($absent, 'u') then earlier.u
        else bowls.u
    end,
    water_temp_c = case
        when list_contains($absent, 'water_temp_c') then earlier.water_temp_c
        else bowls.water_temp_c
    end,
    scale_id = case
        when list_contains($absent, 'scale_id') then earlier.scale_id
        else bowls.scale_id
    end,
    operator = case
        when list_contains($absent, 'operator') then earlier.operator
        else bowls.operator
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else bowls.remarks
    end
from earlier
where bowls.row_key = earlier.row_key
    and bowls.file_no between $from_file_no and $upto_file_no;

-- statement: fill_equipment
-- purpose: let rows of equipment whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table equipment that it may lack; reads the temporary table earlier.

update equipment
set
    due_on = case
        when list_contains($absent, 'due_on') then earlier.due_on
        else equipment.due_on
    end,
    certificate = case
        when list_contains($absent, 'certificate') then earlier.certificate
        else equipment.certificate
    end,
    issued_by = case
        when list_contains($absent, 'issued_by') then earlier.issued_by
        else equipment.issued_by
    end,
    u = case
        when list_contains($absent, 'u') then earlier.u
        else equipment.u
    end,
    u_unit = case
        when list_contains($absent, 'u_unit') then earlier.u_unit
        else equipment.u_unit
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else equipment.remarks
    end
from earlier
where equipment.row_key = earlier.row_key
    and equipment.file_no between $from_file_no and $upto_file_no;

-- statement: fill_people
-- purpose: let rows of people whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table people that it may lack; reads the temporary table earlier.

update people
set
    authorised_until = case
        when list_contains($absent, 'authorised_until') then earlier.authorised_until
        else people.authorised_until
    end,
    authorised_by = case
        when list_contains($absent, 'authorised_by') then earlier.authorised_by
        else people.authorised_by
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else people.remarks
    end
from earlier
where people.row_key = earlier.row_key
    and people.file_no between $from_file_no and $upto_file_no;

-- statement: fill_checks
-- purpose: let rows of checks whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table checks that it may lack; reads the temporary table earlier.

update checks
set
    unit = case
        when list_contains($absent, 'unit') then earlier.unit
        else checks.unit
    end,
    expected = case
        when list_contains($absent, 'expected') then earlier.expected
        else checks.expected
    end,
    "limit" = case
        when list_contains($absent, 'limit') then earlier."limit"
        else checks."limit"
    end,
    operator = case
        when list_contains($absent, 'operator') then earlier.operator
        else checks.operator
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else checks.remarks
    end
from earlier
where checks.row_key = earlier.row_key
    and checks.file_no between $from_file_no and $upto_file_no;

-- statement: fill_studies
-- purpose: let rows of studies whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table studies that it may lack; reads the temporary table earlier.

update studies
set
    stage = case
        when list_contains($absent, 'stage') then earlier.stage
        else studies.stage
    end,
    resolution_pct = case
        when list_contains($absent, 'resolution_pct') then earlier.resolution_pct
        else studies.resolution_pct
    end,
    vessel_id = case
        when list_contains($absent, 'vessel_id') then earlier.vessel_id
        else studies.vessel_id
    end,
    operator = case
        when list_contains($absent, 'operator') then earlier.operator
        else studies.operator
    end,
    water_temp_c = case
        when list_contains($absent, 'water_temp_c') then earlier.water_temp_c
        else studies.water_temp_c
    end,
    visit_id = case
        when list_contains($absent, 'visit_id') then earlier.visit_id
        else studies.visit_id
    end,
    draws = case
        when list_contains($absent, 'draws') then earlier.draws
        else studies.draws
    end,
    procedure = case
        when list_contains($absent, 'procedure') then earlier.procedure
        else studies.procedure
    end,
    checked_by = case
        when list_contains($absent, 'checked_by') then earlier.checked_by
        else studies.checked_by
    end,
    stated_verdict = case
        when list_contains($absent, 'stated_verdict') then earlier.stated_verdict
        else studies.stated_verdict
    end,
    visit_reason = case
        when list_contains($absent, 'visit_reason') then earlier.visit_reason
        else studies.visit_reason
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else studies.remarks
    end
from earlier
where studies.row_key = earlier.row_key
    and studies.file_no between $from_file_no and $upto_file_no;

-- statement: fill_comparisons
-- purpose: let rows of comparisons whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table comparisons that it may lack; reads the temporary table earlier.

update comparisons
set
    u_other_pct = case
        when list_contains($absent, 'u_other_pct') then earlier.u_other_pct
        else comparisons.u_other_pct
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else comparisons.remarks
    end
from earlier
where comparisons.row_key = earlier.row_key
    and comparisons.file_no between $from_file_no and $upto_file_no;

-- statement: fill_decisions
-- purpose: let rows of decisions whose file lacks a column keep the value that was in force,
--   since a column that is not there says nothing.
-- grain: one row per file_no and line changed.
-- parameters: $absent, columns that the files lack; $from_file_no and $upto_file_no, the files.
-- columns: those of the table decisions that it may lack; reads the temporary table earlier.

update decisions
set
    customer_told_on = case
        when list_contains($absent, 'customer_told_on') then earlier.customer_told_on
        else decisions.customer_told_on
    end,
    authorised_by = case
        when list_contains($absent, 'authorised_by') then earlier.authorised_by
        else decisions.authorised_by
    end,
    remarks = case
        when list_contains($absent, 'remarks') then earlier.remarks
        else decisions.remarks
    end
from earlier
where decisions.row_key = earlier.row_key
    and decisions.file_no between $from_file_no and $upto_file_no;
