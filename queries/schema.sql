-- purpose: the tables and keys of a store file.
-- grain: one table for each input table, one row per row taken from a file; rows are added, never
--   changed: a row that was amended or withdrawn is named in `changes` and stays where it is.
-- parameters: none.
-- columns: as in drift/intake/columns.py, after file_no and line, which say where a row came from;
--   row_key is what makes a row the same row, its parts separated by a NUL, which no cell holds.

create table store_info (schema_version integer not null);

insert into store_info values (4);

create table loads (
    load_no integer primary key,
    source_name varchar not null,
    loaded_at timestamp not null,
    entry_no integer
);

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

create table files (
    file_no integer primary key,
    load_no integer not null,
    file varchar not null,
    sha256 varchar not null,
    mapping_sha256 varchar not null,
    table_name varchar not null,
    rows bigint not null,
    taken bigint not null,
    held_back bigint not null,
    known bigint not null,
    amended bigint not null,
    note varchar not null
);

create table held_back (
    file_no integer not null,
    line bigint not null,
    column_name varchar not null,
    reason varchar not null
);

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
    replicate integer,
    sitting varchar
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

create table superseded (
    file_no integer not null,
    by_file_no integer not null
);

create table amendments (
    table_name varchar not null,
    row_key varchar not null,
    column_name varchar not null,
    old_value varchar,
    new_value varchar,
    known_on date,
    old_file_no integer not null,
    old_line bigint not null,
    new_file_no integer not null,
    new_line bigint not null,
    entry_no integer
);

create table readings (
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

create table marks (
    file_no integer not null,
    line bigint not null,
    meter_id varchar not null,
    performed_on date not null,
    mark decimal(18, 9) not null,
    mark_unit varchar,
    zero_reading_pct decimal(18, 9),
    action varchar not null,
    operator varchar,
    remarks varchar,
    row_key varchar generated always as (
        concat_ws(chr(0), meter_id, performed_on, action)
    ) virtual
);

create table meters (
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

create table vessels (
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

create table service (
    file_no integer not null,
    line bigint not null,
    meter_id varchar not null,
    performed_on date not null,
    action varchar not null,
    operator varchar,
    remarks varchar,
    row_key varchar generated always as (
        concat_ws(chr(0), meter_id, performed_on, action)
    ) virtual
);

create table responses (
    file_no integer not null,
    line bigint not null,
    signal_id varchar not null,
    recorded_on date not null,
    finding varchar not null,
    action varchar not null,
    recorded_by varchar not null,
    meter_id varchar,
    row_key varchar generated always as (concat_ws(chr(0), signal_id, recorded_on)) virtual
);

create table field_tests (
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
