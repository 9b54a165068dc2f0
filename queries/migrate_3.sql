-- purpose: bring a store of version 3 to version 4, which has a journal, tables of bowls,
--   equipment, people, checks, studies, comparisons and decisions, and further columns in others.
-- grain: none.
-- parameters: none.
-- columns: none.

alter table held_keys add column sitting varchar;

alter table loads add column entry_no integer;

alter table amendments add column entry_no integer;

create table journal (
    entry_no integer primary key,
    recorded_at varchar not null,
    zone varchar not null,
    kind varchar not null,
    recorded_by varchar not null,
    why varchar not null,
    what varchar not null,
    meters varchar not null,
    undoes integer,
    file varchar not null,
    file_sha256 varchar not null,
    drift_version varchar not null,
    prior_sha256 varchar not null,
    sha256 varchar not null
);

create table changes (
    entry_no integer not null,
    file_no integer not null,
    line bigint,
    in_force boolean not null,
    by_hand boolean not null
);

create table undone (
    entry_no integer not null,
    of_entry_no integer not null,
    is_undone boolean not null
);

insert into changes by name
select 0 as entry_no, file_no, line, false as in_force, false as by_hand
from replaced;

drop table replaced;

create table renewed (
    file_no integer not null,
    line bigint not null,
    meter_id varchar not null,
    performed_on date not null,
    stage varchar not null,
    correct_air_pct decimal(18, 9) not null,
    reading_air_pct decimal(18, 9) not null,
    replicate integer,
    resolution_pct decimal(18, 9),
    vessel_id varchar,
    operator varchar,
    water_temp_c decimal(18, 9),
    visit_id varchar,
    draws integer,
    procedure varchar,
    checked_by varchar,
    stated_verdict varchar,
    visit_reason varchar,
    remarks varchar,
    row_key varchar generated always as (
        concat_ws(
            chr(0), meter_id, performed_on, coalesce(visit_id, performed_on::varchar), stage,
            round(correct_air_pct), replicate
        )
    ) virtual
);

insert into renewed by name
select * exclude (row_key) from readings;

drop table readings;

alter table renewed rename to readings;

create table renewed (
    file_no integer not null,
    line bigint not null,
    meter_id varchar not null,
    in_service_on date,
    dial_resolution_pct decimal(18, 9),
    interval_days integer,
    chamber_bowl_ratio decimal(18, 9),
    initial_pressure_kpa decimal(18, 9),
    status varchar,
    site varchar,
    type varchar,
    maker varchar,
    model varchar,
    serial varchar,
    procedure varchar,
    received_on date,
    removed_on date,
    remarks varchar,
    row_key varchar generated always as (meter_id) virtual
);

insert into renewed by name
select * exclude (row_key) from meters;

drop table meters;

alter table renewed rename to meters;

create table renewed (
    file_no integer not null,
    line bigint not null,
    vessel_id varchar not null,
    calibrated_on date not null,
    air_pct decimal(18, 9),
    water_mass_g decimal(18, 9),
    bowl_water_mass_g decimal(18, 9),
    u_air_pct decimal(18, 9),
    stamped_pct decimal(18, 9),
    meter_id varchar,
    water_temp_c decimal(18, 9),
    scale_id varchar,
    certificate varchar,
    due_on date,
    remarks varchar,
    row_key varchar generated always as (
        concat_ws(chr(0), vessel_id, calibrated_on, meter_id)
    ) virtual
);

insert into renewed by name
select * exclude (row_key) from vessels;

drop table vessels;

alter table renewed rename to vessels;

create table renewed (
    file_no integer not null,
    line bigint not null,
    test_id varchar not null,
    meter_id varchar not null,
    tested_on date not null,
    air_pct decimal(18, 9) not null,
    spec_min_pct decimal(18, 9),
    spec_max_pct decimal(18, 9),
    correction_pct decimal(18, 9),
    placement varchar,
    remarks varchar,
    row_key varchar generated always as (test_id) virtual
);

insert into renewed by name
select * exclude (row_key) from field_tests;

drop table field_tests;

alter table renewed rename to field_tests;

create table bowls (
    file_no integer not null,
    line bigint not null,
    meter_id varchar not null,
    measured_on date not null,
    bowl_water_mass_g decimal(18, 9),
    bowl_volume_l decimal(18, 9),
    u decimal(18, 9),
    water_temp_c decimal(18, 9),
    scale_id varchar,
    operator varchar,
    remarks varchar,
    row_key varchar generated always as (concat_ws(chr(0), meter_id, measured_on)) virtual
);

create table equipment (
    file_no integer not null,
    line bigint not null,
    equipment_id varchar not null,
    kind varchar not null,
    calibrated_on date not null,
    due_on date,
    certificate varchar,
    issued_by varchar,
    u decimal(18, 9),
    u_unit varchar,
    remarks varchar,
    row_key varchar generated always as (
        concat_ws(chr(0), equipment_id, calibrated_on)
    ) virtual
);

create table people (
    file_no integer not null,
    line bigint not null,
    operator varchar not null,
    task varchar not null,
    authorised_on date not null,
    authorised_until date,
    authorised_by varchar,
    remarks varchar,
    row_key varchar generated always as (
        concat_ws(chr(0), operator, task, authorised_on)
    ) virtual
);

create table checks (
    file_no integer not null,
    line bigint not null,
    meter_id varchar not null,
    performed_on date not null,
    "check" varchar not null,
    value varchar not null,
    unit varchar,
    expected decimal(18, 9),
    "limit" decimal(18, 9),
    replicate integer,
    operator varchar,
    remarks varchar,
    row_key varchar generated always as (
        concat_ws(
            chr(0), meter_id, performed_on, "check", coalesce(expected::varchar, ''), replicate
        )
    ) virtual
);

create table studies (
    file_no integer not null,
    line bigint not null,
    study_id varchar not null,
    meter_id varchar not null,
    performed_on date not null,
    stage varchar,
    correct_air_pct decimal(18, 9) not null,
    reading_air_pct decimal(18, 9) not null,
    replicate integer,
    resolution_pct decimal(18, 9),
    vessel_id varchar,
    operator varchar,
    water_temp_c decimal(18, 9),
    visit_id varchar,
    draws integer,
    procedure varchar,
    checked_by varchar,
    stated_verdict varchar,
    visit_reason varchar,
    remarks varchar,
    row_key varchar generated always as (
        concat_ws(
            chr(0), study_id, meter_id, performed_on, coalesce(visit_id, performed_on::varchar),
            coalesce(stage, ''), round(correct_air_pct), coalesce(vessel_id, ''),
            coalesce(operator, ''), replicate
        )
    ) virtual
);

create table comparisons (
    file_no integer not null,
    line bigint not null,
    comparison_id varchar not null,
    compared_on date not null,
    meter_id varchar not null,
    air_pct decimal(18, 9) not null,
    other varchar not null,
    other_air_pct decimal(18, 9) not null,
    u_other_pct decimal(18, 9),
    remarks varchar,
    row_key varchar generated always as (comparison_id) virtual
);

create table decisions (
    file_no integer not null,
    line bigint not null,
    decision_id varchar not null,
    meter_id varchar not null,
    about date not null,
    decided_on date not null,
    decision varchar not null,
    customer_told_on date,
    decided_by varchar not null,
    authorised_by varchar,
    remarks varchar,
    row_key varchar generated always as (decision_id) virtual
);

update store_info set schema_version = 4;
