-- statement: fleet
-- purpose: name the meters that were read, each with a text made of what was read alone, by whose
--   order some can be chosen evenly, whatever they are called.
-- grain: one row per meter_id.
-- parameters: $as_of, last day seen, null for all.
-- columns: meter_id; readings; place, in an order of content from 0; visits, days with readings.

with seen as (
    select meter_id, performed_on, correct_air_pct, reading_air_pct - correct_air_pct as bias_pct
    from readings_in_force
    where performed_on <= coalesce($as_of, date '9999-12-31')
    union all
    select meter_id, performed_on, 0::decimal(18, 9), zero_reading_pct
    from marks_in_force
    where zero_reading_pct is not null
        and performed_on <= coalesce($as_of, date '9999-12-31')
),

sums as (
    select
        meter_id,
        count(*) as readings,
        count(distinct performed_on) as visits,
        sum(bias_pct) as biases,
        sum(bias_pct * (performed_on - date '2000-01-01')) as moments,
        sum(correct_air_pct) as contents,
        sum((performed_on - date '2000-01-01')::hugeint) as days
    from seen
    group by meter_id
)

select
    meter_id,
    readings,
    row_number() over (
        order by md5(concat_ws('|', readings, biases, moments, contents, days)), meter_id
    ) - 1 as place,
    visits
from sums
order by meter_id;

-- statement: make_room
-- purpose: make room in memory for the readings by meter.
-- grain: none.
-- parameters: none.
-- columns: none.

attach ':memory:' as dealt (compress);

-- statement: sort_readings
-- purpose: keep the readings in force by meter, so that those of some meters lie together.
-- grain: as readings.
-- parameters: $empty, columns that no reading fills.
-- columns: those of readings but file_no, line, row_key and those that are empty.

create table dealt.readings_by_meter as
with kept as (select * exclude (file_no, line, row_key) from readings_in_force)

select columns(lambda name: not list_contains($empty::varchar[], name)) from kept order by meter_id;

-- statement: pack_readings
-- purpose: compress what was kept, which is done only now: it takes an eighth of the room, so that
--   none of it is put out of memory and read again.
-- grain: none.
-- parameters: none.
-- columns: none.

checkpoint dealt;

-- statement: see_asked
-- purpose: let readings and marks in force be those of the meters asked for alone.
-- grain: asked, one row per meter_id.
-- parameters: none.
-- columns: meter_id; those of readings but file_no, line and row_key; those of marks.

create temp table asked (meter_id varchar);

create or replace temp view readings_in_force as
with whole as (
    select * exclude (file_no, line, row_key) from readings where false
    union all by name
    select * from dealt.readings_by_meter
)

select * from whole semi join asked using (meter_id);

create or replace temp view marks_in_force as
select *
from marks
semi join asked using (meter_id)
anti join rows_out using (file_no, line)
anti join files_out using (file_no);

-- statement: ask_nobody
-- purpose: forget which meters were asked for.
-- grain: none.
-- parameters: none.
-- columns: none.

delete from asked;

-- statement: ask
-- purpose: ask for some meters.
-- grain: asked, one row per meter_id.
-- parameters: $meters, their names.
-- columns: meter_id.

insert into asked select unnest($meters::varchar[]);

-- statement: see_last_load
-- purpose: let readings in force be those of the visits that the last load brought readings of, if
--   a reading of it lies nearer to another air content of its visit than to its own.
-- grain: as readings.
-- parameters: none.
-- columns: those of readings.

create or replace temp view readings_in_force as
with last_files as (
    select file_no from files where load_no = (select max(load_no) from loads)
),

visits as (
    select distinct meter_id, coalesce(visit_id, performed_on::varchar) as visit_id
    from readings
    semi join last_files using (file_no)
),

-- A tenth of a percent is the tolerance: what reads no further off is at no other point.
off as (
    select
        meter_id,
        performed_on,
        coalesce(visit_id, performed_on::varchar) as visit_id,
        correct_air_pct,
        reading_air_pct
    from readings
    semi join visits
        on readings.meter_id = visits.meter_id
        and coalesce(readings.visit_id, readings.performed_on::varchar) = visits.visit_id
    where abs(reading_air_pct - correct_air_pct) > 0.1
),

astray as (
    select distinct off.meter_id, off.performed_on
    from off
    join readings as others
        on off.meter_id = others.meter_id
        and off.visit_id = coalesce(others.visit_id, others.performed_on::varchar)
    where abs(off.reading_air_pct - others.correct_air_pct)
        < abs(off.reading_air_pct - off.correct_air_pct)
)

select readings.*
from readings
-- A visit goes on for days: those of one visit_id are two weeks apart at most.
semi join astray
    on readings.meter_id = astray.meter_id
    and abs(readings.performed_on - astray.performed_on) <= 14
anti join rows_out using (file_no, line)
anti join files_out using (file_no);
