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
