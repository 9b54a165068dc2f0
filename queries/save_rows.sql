-- statement: save_readings
-- purpose: take the staged rows of readings that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table readings; replicate null where the file gives none.

insert into readings by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(performed_on, $date_format) as performed_on,
        stage,
        as_number(correct_air_pct, $decimal_mark) as correct_air_pct,
        as_number(reading_air_pct, $decimal_mark) as reading_air_pct,
        as_number(replicate, $decimal_mark) as replicate,
        as_number(resolution_pct, $decimal_mark) as resolution_pct,
        vessel_id,
        operator,
        as_number(water_temp_c, $decimal_mark) as water_temp_c,
        visit_id,
        as_number(draws, $decimal_mark) as draws,
        procedure,
        checked_by,
        stated_verdict,
        visit_reason,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where meter_id is not null
        and performed_on is not null
        and stage is not null
        and word_fits(stage, $words, 'stage')
        and correct_air_pct is not null
        and number_fits(cell.correct_air_pct, correct_air_pct, $bounds, 'correct_air_pct')
        and reading_air_pct is not null
        and number_fits(cell.reading_air_pct, reading_air_pct, $bounds, 'reading_air_pct')
        and whole_fits(cell.replicate, replicate, $bounds, 'replicate')
        and number_fits(cell.resolution_pct, resolution_pct, $bounds, 'resolution_pct')
        and number_fits(cell.water_temp_c, water_temp_c, $bounds, 'water_temp_c')
        and whole_fits(cell.draws, draws, $bounds, 'draws')
        and word_fits(stated_verdict, $words, 'stated_verdict')
        and word_fits(visit_reason, $words, 'visit_reason')
)

select * exclude (cell, position) from readable;

-- statement: save_marks
-- purpose: take the staged rows of pressure marks that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table marks.

insert into marks by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(performed_on, $date_format) as performed_on,
        as_number(mark, $decimal_mark) as mark,
        mark_unit,
        as_number(zero_reading_pct, $decimal_mark) as zero_reading_pct,
        action,
        operator,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where meter_id is not null
        and performed_on is not null
        and mark is not null
        and number_fits(cell.mark, mark, $bounds, 'mark')
        and word_fits(mark_unit, $words, 'mark_unit')
        and number_fits(cell.zero_reading_pct, zero_reading_pct, $bounds, 'zero_reading_pct')
        and action is not null
        and word_fits(action, $words, 'action')
)

select * exclude (cell, position) from readable;

-- statement: save_meters
-- purpose: take the staged rows of meters that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table meters.

insert into meters by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(in_service_on, $date_format) as in_service_on,
        as_number(dial_resolution_pct, $decimal_mark) as dial_resolution_pct,
        as_number(interval_days, $decimal_mark) as interval_days,
        as_number(chamber_bowl_ratio, $decimal_mark) as chamber_bowl_ratio,
        as_number(initial_pressure_kpa, $decimal_mark) as initial_pressure_kpa,
        status,
        site,
        type,
        maker,
        model,
        serial,
        procedure,
        as_date(received_on, $date_format) as received_on,
        as_date(removed_on, $date_format) as removed_on,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where meter_id is not null
        and date_fits(cell.in_service_on, in_service_on)
        and number_fits(
            cell.dial_resolution_pct, dial_resolution_pct, $bounds, 'dial_resolution_pct'
        )
        and whole_fits(cell.interval_days, interval_days, $bounds, 'interval_days')
        and number_fits(cell.chamber_bowl_ratio, chamber_bowl_ratio, $bounds, 'chamber_bowl_ratio')
        and number_fits(
            cell.initial_pressure_kpa, initial_pressure_kpa, $bounds, 'initial_pressure_kpa'
        )
        and word_fits(status, $words, 'status')
        and word_fits(type, $words, 'type')
        and date_fits(cell.received_on, received_on)
        and date_fits(cell.removed_on, removed_on)
        and coalesce(received_on <= removed_on, true)
        and coalesce(in_service_on <= removed_on, true)
)

select * exclude (cell, position) from readable;

-- statement: save_vessels
-- purpose: take the staged rows of calibration vessels that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column.
-- columns: those of the table vessels.

insert into vessels by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        vessel_id,
        as_date(calibrated_on, $date_format) as calibrated_on,
        as_number(air_pct, $decimal_mark) as air_pct,
        as_number(water_mass_g, $decimal_mark) as water_mass_g,
        as_number(bowl_water_mass_g, $decimal_mark) as bowl_water_mass_g,
        as_number(u_air_pct, $decimal_mark) as u_air_pct,
        as_number(stamped_pct, $decimal_mark) as stamped_pct,
        meter_id,
        as_number(water_temp_c, $decimal_mark) as water_temp_c,
        scale_id,
        certificate,
        as_date(due_on, $date_format) as due_on,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where vessel_id is not null
        and calibrated_on is not null
        and number_fits(cell.air_pct, air_pct, $bounds, 'air_pct')
        and number_fits(cell.water_mass_g, water_mass_g, $bounds, 'water_mass_g')
        and number_fits(cell.bowl_water_mass_g, bowl_water_mass_g, $bounds, 'bowl_water_mass_g')
        and number_fits(cell.u_air_pct, u_air_pct, $bounds, 'u_air_pct')
        and number_fits(cell.stamped_pct, stamped_pct, $bounds, 'stamped_pct')
        and number_fits(cell.water_temp_c, water_temp_c, $bounds, 'water_temp_c')
        and date_fits(cell.due_on, due_on)
        and number_fits(
            1, coalesce(air_pct, 100 * water_mass_g / bowl_water_mass_g), $bounds, 'air_pct'
        )
        and coalesce(calibrated_on <= due_on, true)
)

select * exclude (cell, position) from readable;

-- statement: save_service
-- purpose: take the staged rows of service events that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $date_format, null for ISO; $words, allowed words by column.
-- columns: those of the table service.

insert into service by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(performed_on, $date_format) as performed_on,
        action,
        operator,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where meter_id is not null
        and performed_on is not null
        and action is not null
        and word_fits(action, $words, 'action')
)

select * exclude (cell, position) from readable;

-- statement: save_responses
-- purpose: take the staged rows of responses that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $date_format, null for ISO.
-- columns: those of the table responses.

insert into responses by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        signal_id,
        as_date(recorded_on, $date_format) as recorded_on,
        finding,
        action,
        recorded_by,
        meter_id
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where signal_id is not null
        and recorded_on is not null
        and finding is not null
        and action is not null
        and recorded_by is not null
)

select * exclude (cell, position) from readable;

-- statement: save_field_tests
-- purpose: take the staged rows of field tests that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column.
-- columns: those of the table field_tests.

insert into field_tests by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        test_id,
        meter_id,
        as_date(tested_on, $date_format) as tested_on,
        as_number(air_pct, $decimal_mark) as air_pct,
        as_number(spec_min_pct, $decimal_mark) as spec_min_pct,
        as_number(spec_max_pct, $decimal_mark) as spec_max_pct,
        as_number(correction_pct, $decimal_mark) as correction_pct,
        placement,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where test_id is not null
        and meter_id is not null
        and tested_on is not null
        and air_pct is not null
        and number_fits(cell.air_pct, air_pct, $bounds, 'air_pct')
        and number_fits(cell.spec_min_pct, spec_min_pct, $bounds, 'spec_min_pct')
        and number_fits(cell.spec_max_pct, spec_max_pct, $bounds, 'spec_max_pct')
        and number_fits(cell.correction_pct, correction_pct, $bounds, 'correction_pct')
        and coalesce(spec_min_pct <= spec_max_pct, true)
)

select * exclude (cell, position) from readable;
