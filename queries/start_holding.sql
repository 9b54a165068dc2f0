-- purpose: make room for the keys of readings that are held back, which count when readings
--   without replicate are numbered.
-- grain: one row per file_no and line.
-- parameters: none.
-- columns: file_no; line; meter_id; performed_on; visit_id; stage; point_pct; replicate.

create or replace temp table held_keys (
    file_no integer,
    line bigint,
    meter_id varchar,
    performed_on date,
    visit_id varchar,
    stage varchar,
    point_pct decimal(18, 0),
    replicate integer
);
