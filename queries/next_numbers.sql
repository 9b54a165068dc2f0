-- purpose: number the load and the files that come next, and say whether readings came before.
-- grain: one row.
-- parameters: none.
-- columns: load_no; file_no; readings_known.

with last_load as (select coalesce(max(load_no), 0) as load_no from loads),

last_file as (select coalesce(max(file_no), 0) as file_no from files),

readings as (
    select count(*) > 0 as readings_known from files where table_name = 'readings'
)

select
    last_load.load_no + 1 as load_no,
    last_file.file_no + 1 as file_no,
    readings.readings_known
from last_load
cross join last_file
cross join readings;
