-- statement: save_bowls
-- purpose: take the staged rows of bowls that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column.
-- columns: those of the table bowls.

insert into bowls by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(measured_on, $date_format) as measured_on,
        as_number(bowl_water_mass_g, $decimal_mark) as bowl_water_mass_g,
        as_number(bowl_volume_l, $decimal_mark) as bowl_volume_l,
        as_number(u, $decimal_mark) as u,
        as_number(water_temp_c, $decimal_mark) as water_temp_c,
        scale_id,
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
        and measured_on is not null
        and number_fits(cell.bowl_water_mass_g, bowl_water_mass_g, $bounds, 'bowl_water_mass_g')
        and number_fits(cell.bowl_volume_l, bowl_volume_l, $bounds, 'bowl_volume_l')
        and number_fits(cell.u, u, $bounds, 'u')
        and number_fits(cell.water_temp_c, water_temp_c, $bounds, 'water_temp_c')
        and coalesce(bowl_water_mass_g, bowl_volume_l) is not null
)

select * exclude (cell, position) from readable;

-- statement: save_equipment
-- purpose: take the staged rows of equipment that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table equipment.

insert into equipment by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        equipment_id,
        kind,
        as_date(calibrated_on, $date_format) as calibrated_on,
        as_date(due_on, $date_format) as due_on,
        certificate,
        issued_by,
        as_number(u, $decimal_mark) as u,
        u_unit,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where equipment_id is not null
        and kind is not null
        and word_fits(kind, $words, 'kind')
        and calibrated_on is not null
        and date_fits(cell.due_on, due_on)
        and number_fits(cell.u, u, $bounds, 'u')
        and coalesce(calibrated_on <= due_on, true)
)

select * exclude (cell, position) from readable;

-- statement: save_people
-- purpose: take the staged rows of people that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $date_format, null for ISO.
-- columns: those of the table people.

insert into people by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        operator,
        task,
        as_date(authorised_on, $date_format) as authorised_on,
        as_date(authorised_until, $date_format) as authorised_until,
        authorised_by,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where operator is not null
        and task is not null
        and authorised_on is not null
        and date_fits(cell.authorised_until, authorised_until)
        and coalesce(authorised_on <= authorised_until, true)
)

select * exclude (cell, position) from readable;

-- statement: save_checks
-- purpose: take the staged rows of checks that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table checks; replicate null where the file gives none.

insert into checks by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        meter_id,
        as_date(performed_on, $date_format) as performed_on,
        "check",
        as_answer(value, $decimal_mark) as value,
        unit,
        as_number(expected, $decimal_mark) as expected,
        as_number("limit", $decimal_mark) as "limit",
        as_number(replicate, $decimal_mark) as replicate,
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
        and "check" is not null
        and word_fits("check", $words, 'check')
        and value is not null
        and number_fits(cell.expected, expected, $bounds, 'expected')
        and number_fits(cell."limit", "limit", $bounds, 'limit')
        and whole_fits(cell.replicate, replicate, $bounds, 'replicate')
)

select * exclude (cell, position) from readable;

-- statement: save_studies
-- purpose: take the staged rows of studies that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table studies; replicate null where the file gives none.

insert into studies by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        study_id,
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
    where study_id is not null
        and meter_id is not null
        and performed_on is not null
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

-- statement: save_comparisons
-- purpose: take the staged rows of comparisons that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $decimal_mark; $date_format, null for ISO; $bounds, lowest and highest value by
--   column; $words, allowed words by column.
-- columns: those of the table comparisons.

insert into comparisons by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        comparison_id,
        as_date(compared_on, $date_format) as compared_on,
        meter_id,
        as_number(air_pct, $decimal_mark) as air_pct,
        other,
        as_number(other_air_pct, $decimal_mark) as other_air_pct,
        as_number(u_other_pct, $decimal_mark) as u_other_pct,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where comparison_id is not null
        and compared_on is not null
        and meter_id is not null
        and air_pct is not null
        and number_fits(cell.air_pct, air_pct, $bounds, 'air_pct')
        and other is not null
        and word_fits(other, $words, 'other')
        and other_air_pct is not null
        and number_fits(cell.other_air_pct, other_air_pct, $bounds, 'other_air_pct')
        and number_fits(cell.u_other_pct, u_other_pct, $bounds, 'u_other_pct')
)

select * exclude (cell, position) from readable;

-- statement: save_decisions
-- purpose: take the staged rows of decisions that can be read whole.
-- grain: one row per file_no and line that is not held back.
-- parameters: $date_format, null for ISO.
-- columns: those of the table decisions.

insert into decisions by name
with typed as (
    select
        file_no,
        line,
        staged as cell,
        decision_id,
        meter_id,
        as_date(about, $date_format) as about,
        as_date(decided_on, $date_format) as decided_on,
        decision,
        as_date(customer_told_on, $date_format) as customer_told_on,
        decided_by,
        authorised_by,
        remarks
    from staged
),

-- The window keeps the optimiser from reading every cell once more for the filter below.
fenced as (select *, row_number() over () as position from typed),

readable as (
    select *
    from fenced
    where decision_id is not null
        and meter_id is not null
        and about is not null
        and decided_on is not null
        and decision is not null
        and date_fits(cell.customer_told_on, customer_told_on)
        and decided_by is not null
        and coalesce(about <= decided_on, true)
)

select * exclude (cell, position) from readable;
