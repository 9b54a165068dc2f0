-- purpose: bring a store of version 2 to version 3, which holds no views, and what held rows name.
-- grain: none.
-- parameters: none.
-- columns: none.

drop view if exists readings_in_force;

drop view if exists marks_in_force;

drop view if exists meters_in_force;

drop view if exists vessels_in_force;

drop view if exists service_in_force;

drop view if exists responses_in_force;

drop view if exists field_tests_in_force;

drop view if exists file_labels;

-- Over the large file that was loaded last.
drop view if exists plain_cells;

-- Of rows held back before, what they name is not known.
create table held_rows (
    file_no integer not null,
    line bigint not null,
    table_name varchar not null,
    meter_id varchar not null,
    dated varchar,
    dated_on date
);

create table held_keys (
    file_no integer not null,
    line bigint not null,
    meter_id varchar,
    performed_on date,
    visit_id varchar,
    stage varchar,
    point_pct decimal(18, 0),
    replicate integer
);

update store_info set schema_version = 3;
