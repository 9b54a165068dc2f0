-- purpose: gather readings in force into sittings, as biases; a zero check recorded with a mark is
--   a reading at point 0 where none was recorded as one.
-- grain: one row per meter_id, visit_id, stage and point_pct.
-- parameters: $points_pct, nominal points; $point_window_pct, how far from one a reading still
--   belongs to it; $as_of, last day seen, null for all; $visit_gap_days, days without a reading
--   after which a visit_id is taken to be used anew.
-- columns: meter_id; visit_id, the given one, else the ISO date; performed_on, first day of the
--   visit; stage; point_pct; correct_air_pct, mean; replicates, their number; bias_pct, mean of
--   reading minus correct air content; biases_pct, each of them; places, their numbers where
--   these run on from point to point of the visit and so tell the order; spread_pct, n − 1;
--   resolution_pct, coarsest; vessel_id, several joined by " + "; operator, likewise;
--   water_temp_c, mean; draws, most; procedure, as vessel_id; checked_by, likewise;
--   stated_verdict, likewise; visit_reason, likewise; remarks, likewise; readings_left_out,
--   numbers of replicates missing below the highest of its point or, where numbers run on from
--   point to point, of its visit, told in the first sitting of these.

with readings_seen as not materialized (
    select
        meter_id,
        performed_on,
        visit_id,
        stage,
        correct_air_pct,
        reading_air_pct,
        replicate,
        resolution_pct,
        vessel_id,
        operator,
        water_temp_c,
        draws,
        procedure,
        checked_by,
        stated_verdict,
        visit_reason,
        remarks
    from readings_in_force
    where performed_on <= coalesce($as_of, date '9999-12-31')
),

zero_checks as (
    select
        meter_id,
        performed_on,
        case when action = 'established' then 'as_left' else 'as_found' end as stage,
        zero_reading_pct,
        operator
    from marks_in_force
    where zero_reading_pct is not null
        and performed_on <= coalesce($as_of, date '9999-12-31')
),

-- A visit_id may come back years later ("1", "2" …): far apart in time it is another visit.
visit_days as (
    select distinct meter_id, visit_id, performed_on from readings_seen where visit_id is not null
),

gaps as (
    select
        *,
        coalesce(
            performed_on - lag(performed_on) over (
                partition by meter_id, visit_id order by performed_on
            ) > $visit_gap_days,
            true
        ) as opens
    from visit_days
),

uses as (
    select
        *,
        count(*) filter (where opens) over (
            partition by meter_id, visit_id order by performed_on
        ) as use
    from gaps
),

visits as (
    select
        meter_id,
        visit_id,
        performed_on,
        min(performed_on) over (partition by meter_id, visit_id, use) as visit_on,
        max(use) over (partition by meter_id, visit_id) as uses
    from uses
),

-- Nor may it be taken for the date by which a visit without visit_id goes.
named_visits as (
    select
        meter_id,
        visit_id as given_id,
        performed_on,
        visit_on,
        case
            when uses > 1 or coalesce(iso_date(visit_id) <> visit_on, false)
                then visit_on || ' ' || visit_id
            else visit_id
        end as named_id
    from visits
),

nominal as (select unnest($points_pct::double[])::decimal(18, 9) as nominal_pct),

distances as (
    select
        contents.correct_air_pct,
        nominal.nominal_pct,
        abs(contents.correct_air_pct - nominal.nominal_pct) as distance_pct
    from (
        select correct_air_pct from readings_seen
        union
        select 0
    ) as contents
    cross join nominal
),

points as (
    select
        correct_air_pct,
        coalesce(
            arg_min(nominal_pct, [distance_pct, nominal_pct]) filter (
                where distance_pct <= $point_window_pct::decimal(18, 9)
            ),
            round(correct_air_pct)
        )::double as point_pct
    from distances
    group by correct_air_pct
),

placed_readings as not materialized (
    select
        readings_seen.meter_id,
        coalesce(named_visits.named_id, readings_seen.performed_on::varchar) as visit_id,
        coalesce(named_visits.visit_on, readings_seen.performed_on) as visit_on,
        coalesce(1000000 * (readings_seen.performed_on - named_visits.visit_on), 0)
        + readings_seen.replicate as sequence,
        readings_seen.replicate,
        readings_seen.performed_on,
        readings_seen.stage,
        points.point_pct,
        readings_seen.correct_air_pct,
        readings_seen.reading_air_pct - readings_seen.correct_air_pct as bias_pct,
        readings_seen.resolution_pct,
        readings_seen.vessel_id,
        readings_seen.operator,
        readings_seen.water_temp_c,
        readings_seen.draws,
        readings_seen.procedure,
        readings_seen.checked_by,
        readings_seen.stated_verdict,
        readings_seen.visit_reason,
        readings_seen.remarks
    from readings_seen
    left join named_visits
        on named_visits.meter_id = readings_seen.meter_id
        and named_visits.given_id = readings_seen.visit_id
        and named_visits.performed_on = readings_seen.performed_on
    join points on points.correct_air_pct = readings_seen.correct_air_pct
),

-- Of two visits on the day of a mark, what was found belongs to the first, what was left to the
-- last.
visits_of_day as (
    select
        meter_id,
        performed_on,
        arg_min(visit_id, [visit_on::varchar, visit_id]) as first_id,
        arg_max(visit_id, [visit_on::varchar, visit_id]) as last_id,
        min(visit_on) as first_on,
        max(visit_on) as last_on
    from placed_readings
    semi join zero_checks using (meter_id, performed_on)
    group by meter_id, performed_on
),

placed_zeros as (
    select
        zero_checks.meter_id,
        coalesce(
            case
                when zero_checks.stage = 'as_found' then visits_of_day.first_id
                else visits_of_day.last_id
            end,
            zero_checks.performed_on::varchar
        ) as visit_id,
        coalesce(
            case
                when zero_checks.stage = 'as_found' then visits_of_day.first_on
                else visits_of_day.last_on
            end,
            zero_checks.performed_on
        ) as visit_on,
        1 as sequence,
        1 as replicate,
        zero_checks.performed_on,
        zero_checks.stage,
        points.point_pct,
        0::decimal(18, 9) as correct_air_pct,
        zero_checks.zero_reading_pct as bias_pct,
        null::decimal(18, 9) as resolution_pct,
        null::varchar as vessel_id,
        zero_checks.operator,
        null::decimal(18, 9) as water_temp_c,
        null::integer as draws,
        null::varchar as procedure,
        null::varchar as checked_by,
        null::varchar as stated_verdict,
        null::varchar as visit_reason,
        null::varchar as remarks
    from zero_checks
    join points on points.correct_air_pct = 0
    left join visits_of_day using (meter_id, performed_on)
),

placed as not materialized (
    select * from placed_readings
    union all
    select *
    from placed_zeros
    anti join placed_readings using (meter_id, visit_id, stage, point_pct)
),

sittings as (
    select
        meter_id,
        visit_id,
        min(visit_on) as performed_on,
        stage,
        point_pct,
        sum(correct_air_pct) as sum_correct_pct,
        count(*) as replicates,
        sum(bias_pct) as sum_bias_pct,
        sum(bias_pct * bias_pct) as sum_squares,
        list_sort(list(struct_pack(number := sequence::double, bias_pct := bias_pct::double)))
            as numbered_biases,
        -- Numbers as bits: no sitting has sixty readings.
        bit_or(1::ubigint << (least(replicate, 60) - 1)::ubigint) as numbers,
        max(resolution_pct) as resolution_pct,
        avg(water_temp_c) as water_temp_c,
        max(draws) as draws,
        min(vessel_id) as vessel_id,
        max(vessel_id) as last_vessel_id,
        min(operator) as operator,
        max(operator) as last_operator,
        bool_or(
            coalesce(procedure, checked_by, stated_verdict, visit_reason, remarks) is not null
        ) as says_more
    from placed
    group by meter_id, visit_id, stage, point_pct
),

-- Words are joined only where there are several, and what few readings say is looked for only where
-- one says it.
worded as (
    select meter_id, visit_id, stage, point_pct
    from sittings
    where says_more or vessel_id <> last_vessel_id or operator <> last_operator
),

together as (
    select
        meter_id,
        visit_id,
        stage,
        point_pct,
        joined_words(list(vessel_id) filter (where vessel_id is not null)) as vessel_id,
        joined_words(list(operator) filter (where operator is not null)) as operator,
        joined_words(list(procedure) filter (where procedure is not null)) as procedure,
        joined_words(list(checked_by) filter (where checked_by is not null)) as checked_by,
        joined_words(list(stated_verdict) filter (where stated_verdict is not null))
            as stated_verdict,
        joined_words(list(visit_reason) filter (where visit_reason is not null))
            as visit_reason,
        joined_words(list(remarks) filter (where remarks is not null)) as remarks
    from placed
    semi join worded using (meter_id, visit_id, stage, point_pct)
    group by meter_id, visit_id, stage, point_pct
),

-- A reading held back was made, and is told of elsewhere.
held_numbers as (
    select
        meter_id,
        performed_on,
        stage,
        point_pct,
        bit_or(1::ubigint << (replicate - 1)::ubigint) as held
    from held_keys
    anti join superseded_now using (file_no)
    anti join files_out using (file_no)
    -- Another number may be why it is held back.
    where replicate between 1 and 60
    group by meter_id, performed_on, stage, point_pct
),

of_points as (
    select
        sittings.meter_id,
        sittings.visit_id,
        sittings.point_pct,
        bit_or(sittings.numbers | coalesce(held_numbers.held, 0::ubigint)) as numbers,
        sum(sittings.replicates) as readings,
        min(sittings.stage) as stage
    from sittings
    left join held_numbers using (meter_id, performed_on, stage, point_pct)
    group by sittings.meter_id, sittings.visit_id, sittings.point_pct
),

of_visits as (
    select
        meter_id,
        visit_id,
        bit_or(numbers) as numbers,
        bit_count(bit_or(numbers)) >= sum(readings) as runs_on,
        min(struct_pack(stage := stage, point_pct := point_pct)) as opening
    from of_points
    group by meter_id, visit_id
),

running_on as (select * from of_visits where runs_on),

left_out as (
    select
        meter_id,
        visit_id,
        opening.stage as stage,
        opening.point_pct as point_pct,
        floor(log2(numbers)) + 1 - bit_count(numbers) as readings
    from running_on
    union all
    select
        meter_id, visit_id, stage, point_pct, floor(log2(numbers)) + 1 - bit_count(numbers)
    from of_points
    anti join running_on using (meter_id, visit_id)
),

some_left_out as (select * from left_out where readings > 0),

sessions as (
    select
        sittings.meter_id,
        sittings.visit_id,
        sittings.performed_on,
        sittings.stage,
        sittings.point_pct,
        round(sittings.sum_correct_pct::double / sittings.replicates, 12) as correct_air_pct,
        sittings.replicates,
        round(sittings.sum_bias_pct::double / sittings.replicates, 12) as bias_pct,
        list_transform(sittings.numbered_biases, lambda numbered: numbered.bias_pct) as biases_pct,
        case
            when running_on.runs_on
                then list_transform(
                    sittings.numbered_biases, lambda numbered: numbered.number::bigint
                )
        end as places,
        -- From sums of decimals, which are exact in any order.
        round(
            sqrt(
                (
                    sittings.replicates * sittings.sum_squares
                    - sittings.sum_bias_pct * sittings.sum_bias_pct
                )::double
                / (sittings.replicates * nullif(sittings.replicates - 1, 0))
            ),
            12
        ) as spread_pct,
        sittings.resolution_pct::double as resolution_pct,
        coalesce(together.vessel_id, sittings.vessel_id) as vessel_id,
        coalesce(together.operator, sittings.operator) as operator,
        round(sittings.water_temp_c::double, 9) as water_temp_c,
        sittings.draws,
        together.procedure,
        together.checked_by,
        together.stated_verdict,
        together.visit_reason,
        together.remarks,
        coalesce(some_left_out.readings, 0)::bigint as readings_left_out
    from sittings
    left join running_on using (meter_id, visit_id)
    left join some_left_out using (meter_id, visit_id, stage, point_pct)
    left join together using (meter_id, visit_id, stage, point_pct)
)

select * from sessions order by meter_id, performed_on, visit_id, stage, point_pct;
