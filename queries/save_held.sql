-- statement: save_held_lines
-- purpose: hold back what was refused before its rows were looked at.
-- grain: one row per header that could not be used.
-- parameters: none; reads the registered frame refused.
-- columns: those of the table held_back.

insert into held_back by name
select * from refused;

-- statement: save_unsplit
-- purpose: hold back the records that could not be split into cells, and keep which meter and which
--   day they name, where that can be read.
-- grain: one row per file_no and line.
-- parameters: $table_name; $date_format, null for ISO; $meter_field, place of the meter among the
--   cells, from 1, null where there is none; $day_fields, places of days; reads the view cells.
-- columns: those of held_back; those of held_rows.

insert into held_back by name
select file_no, line, '' as column_name, problem as reason
from cells
where problem <> '';

-- Where quotes are wrong, cells are cut at every delimiter.  Cells before the one too many stand
-- under their own heads.  A damaged cell names nothing.
insert into held_rows by name
with cut as (
    select
        file_no,
        line,
        list_transform(
            if(is_misquoted, string_split(text, mark), cells),
            lambda cell: if(
                damage(cell, strays) is null, nullif(trim(cell, blanks() || '"'), ''), null
            )
        ) as cells
    from cells
    where problem <> ''
),

dated as (
    select
        file_no,
        line,
        cells[$meter_field::integer] as meter_id,
        list_filter(
            list_transform($day_fields::integer[], lambda field: cells[field]),
            lambda day: day is not null
        )[1] as dated
    from cut
)

select
    file_no,
    line,
    $table_name as table_name,
    meter_id,
    dated,
    as_date(dated, $date_format) as dated_on
from dated
where meter_id is not null;

-- statement: save_held_cells
-- purpose: say of each staged row that was not taken which cells were the cause, and why.
-- grain: one row per file_no, line and column_name of a cell that cannot be used.
-- parameters: $table_name; $file_nos, the files staged; $decimal_mark; $date_format, null for ISO.
-- columns: those of the table held_back.

insert into held_back by name
with taken as (
    select file_no, line
    from query_table($table_name)
    where list_contains($file_nos::integer[], file_no)
),

held as (select * from staged anti join taken using (file_no, line)),

cells as (
    from held
    unpivot include nulls (cell for column_name in (columns(* exclude (file_no, line))))
),

ruled as (
    select
        cells.file_no,
        cells.line,
        cells.column_name,
        cells.cell,
        quoted(cells.cell) as shown,
        as_number(cells.cell, $decimal_mark) as number,
        list_filter(
            rules.refusals, lambda refusal: refusal.word = word_key(cells.cell)
        ) as refused,
        rules.*
    from cells
    join rules on rules.table_name = $table_name and rules.column_name = cells.column_name
),

judged as (
    select
        file_no,
        line,
        column_name,
        case
            when cell is null then case when required then 'is empty but needed' end
            when kind = 'date' and as_date(cell, $date_format) is null
                then shown || date_problem(cell, $date_format)
            when kind in ('number', 'whole') and number is null
                then shown || number_problem(cell, $decimal_mark)
            when kind = 'whole' and number <> trunc(number) then shown || ' is not a whole number'
            when number not between low and high then cell || out_of_bounds
            when kind = 'answer' and as_answer(cell, $decimal_mark) is null
                then shown || answer_problem(cell, $decimal_mark)
            when len(refused) > 0 then shown || ' ' || refused[1].reason
            when len(words) > 0 and not list_contains(words, cell)
                then shown || word_problem(cell, words)
        end as reason
    from ruled
)

select file_no, line, column_name, reason from judged where reason is not null;

-- statement: save_held_vessels
-- purpose: say of staged vessels why their air content is not known, where no single cell is wrong.
-- grain: one row per file_no and line held back for it.
-- parameters: $decimal_mark; $bounds, lowest and highest value by column.
-- columns: those of the table held_back.

insert into held_back by name
with weighed as (
    select
        file_no,
        line,
        water_mass_g is null or bowl_water_mass_g is null as lacking,
        as_number(bowl_water_mass_g, $decimal_mark) as bowl_water_mass_g,
        100 * as_number(water_mass_g, $decimal_mark)
        / as_number(bowl_water_mass_g, $decimal_mark) as air_pct
    from staged
    where staged.air_pct is null
),

judged as (
    select
        file_no,
        line,
        case
            when lacking
                then 'is empty, and so is water_mass_g or bowl_water_mass_g; one way of knowing '
                || 'the air content is needed'
            when bowl_water_mass_g >= $bounds['bowl_water_mass_g'][1]
                and air_pct not between $bounds['air_pct'][1] and $bounds['air_pct'][2]
                then 'is empty, and 100 × water_mass_g / bowl_water_mass_g is '
                || round(air_pct, 1) || ', outside the bounds of air_pct'
        end as reason
    from weighed
)

select file_no, line, 'air_pct' as column_name, reason
from judged
where reason is not null;

-- statement: save_held_specs
-- purpose: say of staged field tests that their specification cannot be met by any air content.
-- grain: one row per file_no and line held back for it.
-- parameters: $decimal_mark.
-- columns: those of the table held_back.

insert into held_back by name
select
    file_no,
    line,
    'spec_min_pct' as column_name,
    spec_min_pct || ' is above spec_max_pct, ' || spec_max_pct as reason
from staged
where as_number(spec_min_pct, $decimal_mark) > as_number(spec_max_pct, $decimal_mark);

-- statement: save_held_bowls
-- purpose: say of staged bowls that neither their mass of water nor their volume is given.
-- grain: one row per file_no and line held back for it.
-- parameters: none.
-- columns: those of the table held_back.

insert into held_back by name
select
    file_no,
    line,
    'bowl_water_mass_g' as column_name,
    'is empty, and so is bowl_volume_l; one of them is needed' as reason
from staged
where bowl_water_mass_g is null and bowl_volume_l is null;

-- statement: save_held_order
-- purpose: say of staged rows that one of their days is before another that it follows.
-- grain: one row per file_no and line held back for it.
-- parameters: $earlier and $later, two columns; $date_format, null for ISO.
-- columns: those of the table held_back.

insert into held_back by name
with cells as (
    from staged
    unpivot (cell for column_name in (columns(* exclude (file_no, line))))
),

pairs as (
    select
        file_no,
        line,
        max(cell) filter (where column_name = $earlier) as earlier,
        max(cell) filter (where column_name = $later) as later
    from cells
    group by file_no, line
)

select
    file_no,
    line,
    $later as column_name,
    quoted(later) || ' is before ' || $earlier || ', ' || quoted(earlier) as reason
from pairs
where as_date(later, $date_format) < as_date(earlier, $date_format);

-- statement: save_held_rows
-- purpose: keep which meter and which day the staged rows that were not taken name, as written.
-- grain: one row per file_no and line of a row that names a meter.
-- parameters: $table_name; $file_nos, the files staged; $date_format, null for ISO.
-- columns: those of the table held_rows.

insert into held_rows by name
with taken as (
    select file_no, line
    from query_table($table_name)
    where list_contains($file_nos::integer[], file_no)
),

held as (select * from staged anti join taken using (file_no, line)),

dated as (
    select
        file_no,
        line,
        meter_id,
        coalesce(
            *columns(
                '^(performed|tested|recorded|measured|compared|decided|calibrated|in_service)_on$'
            )
        ) as dated
    from held
    where meter_id is not null
)

select
    file_no,
    line,
    $table_name as table_name,
    meter_id,
    dated,
    as_date(dated, $date_format) as dated_on
from dated;

-- statement: save_held_keys
-- purpose: keep what can be read of the keys of staged readings that were not taken.
-- grain: one row per file_no and line.
-- parameters: $file_nos, the files staged; $decimal_mark; $date_format, null for ISO.
-- columns: those of the table held_keys.

insert into held_keys by name
with taken as (
    select file_no, line from readings where list_contains($file_nos::integer[], file_no)
),

held as (select * from staged anti join taken using (file_no, line)),

dated as (select *, as_date(performed_on, $date_format) as day from held)

select
    file_no,
    line,
    meter_id,
    day as performed_on,
    coalesce(visit_id, day::varchar) as visit_id,
    stage,
    round(as_number(correct_air_pct, $decimal_mark)) as point_pct,
    as_number(replicate, $decimal_mark) as replicate
from dated;

-- statement: save_held_checks
-- purpose: keep what can be read of the keys of staged checks that were not taken.
-- grain: one row per file_no and line.
-- parameters: $file_nos, the files staged; $decimal_mark; $date_format, null for ISO.
-- columns: those of the table held_keys; sitting as in number_checks.

insert into held_keys by name
with taken as (
    select file_no, line from checks where list_contains($file_nos::integer[], file_no)
),

held as (select * from staged anti join taken using (file_no, line))

select
    file_no,
    line,
    as_number(replicate, $decimal_mark) as replicate,
    check_sitting(
        meter_id, as_date(performed_on, $date_format), "check",
        as_number(expected, $decimal_mark)
    ) as sitting
from held;

-- statement: save_held_studies
-- purpose: keep what can be read of the keys of staged readings of studies that were not taken.
-- grain: one row per file_no and line.
-- parameters: $file_nos, the files staged; $decimal_mark; $date_format, null for ISO.
-- columns: those of the table held_keys; sitting as in number_studies.

insert into held_keys by name
with taken as (
    select file_no, line from studies where list_contains($file_nos::integer[], file_no)
),

held as (select * from staged anti join taken using (file_no, line))

select
    file_no,
    line,
    as_number(replicate, $decimal_mark) as replicate,
    study_sitting(
        study_id, meter_id, as_date(performed_on, $date_format), visit_id, stage,
        as_number(correct_air_pct, $decimal_mark), vessel_id, operator
    ) as sitting
from held;

-- statement: save_held_twin
-- purpose: hold back of a copy of a file what was held back of the file itself.
-- grain: one row per line, column and reason.
-- parameters: $file_no of the copy; $twin_file_no of the file that was read.
-- columns: those of the table held_back.

insert into held_back by name
select $file_no as file_no, line, column_name, reason
from held_back
where file_no = $twin_file_no;
