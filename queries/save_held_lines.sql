-- purpose: hold back what was refused before its cells were looked at.
-- grain: one row per line that could not be split, or header that could not be used.
-- parameters: $date_format, null for ISO; reads the registered frame refused.
-- columns: those of the table held_back; those of held_rows for lines that name a meter.

insert into held_back by name
select file_no, line, column_name, reason from refused;

insert into held_rows by name
select
    file_no,
    line,
    table_name,
    meter_id,
    dated,
    as_date(dated, $date_format) as dated_on
from refused
where meter_id is not null;
