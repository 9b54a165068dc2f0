-- statement: next_numbers
-- purpose: number the load and the files that come next, and say whether readings came before, and
--   whether a person has set rows aside.
-- grain: one row.
-- parameters: none.
-- columns: load_no; file_no; readings_known; any_by_hand.

with last_load as (select coalesce(max(load_no), 0) as load_no from loads),

last_file as (select coalesce(max(file_no), 0) as file_no from files),

readings as (
    select count(*) > 0 as readings_known from files where table_name = 'readings'
),

set_aside as (select count(*) > 0 as any_by_hand from rows_out where by_hand)

select
    last_load.load_no + 1 as load_no,
    last_file.file_no + 1 as file_no,
    readings.readings_known,
    set_aside.any_by_hand
from last_load
cross join last_file
cross join readings
cross join set_aside;

-- statement: files_seen
-- purpose: list the files that the store was made from, read under one mapping file.
-- grain: one row per file_no.
-- parameters: $mapping_sha256, empty for no mapping file.
-- columns: file_no; source_name; file; sha256; rows; held_back.

select
    files.file_no,
    loads.source_name,
    files.file,
    files.sha256,
    files.rows,
    files.held_back
from files
join loads using (load_no)
anti join files_out using (file_no)
where files.mapping_sha256 = $mapping_sha256
order by files.file_no;

-- statement: rows_saved
-- purpose: count the rows of this source that could be read whole, of one table.
-- grain: one row per file_no.
-- parameters: $table_name; $first_file_no of this source.
-- columns: file_no; rows.

select file_no, count(*) as rows
from query_table($table_name)
where file_no >= $first_file_no
group by file_no
order by file_no;

-- statement: lines_held
-- purpose: count the lines of this source that were held back.
-- grain: one row per file_no.
-- parameters: $first_file_no of this source.
-- columns: file_no; lines.

select file_no, count(distinct line) as lines
from held_back
where file_no >= $first_file_no
group by file_no
order by file_no;

-- statement: save_load
-- purpose: note that a source was loaded, and when.
-- grain: one row per load.
-- parameters: $load_no; $source_name, the folder's own name; $loaded_at, time in UTC; $entry_no of
--   the journal, null for none.
-- columns: those of the table loads.

insert into loads by name
select
    $load_no as load_no,
    $source_name as source_name,
    $loaded_at as loaded_at,
    $entry_no as entry_no;

-- statement: save_files
-- purpose: note the files of one load and what became of their rows.
-- grain: one row per file.
-- parameters: none; reads the registered frame arrivals.
-- columns: those of the table files.

insert into files by name
select * from arrivals;

-- statement: told_unfit
-- purpose: list the amendments of folders that could not be applied, as they were told.
-- grain: one row per line, column and reason.
-- parameters: $file, the name of a folder's file of amendments; $source_name, null for all.
-- columns: line; column_name, empty for a whole row; reason.

select distinct held_back.line, held_back.column_name, held_back.reason
from held_back
join files using (file_no)
join loads using (load_no)
anti join files_out using (file_no)
anti join superseded_now using (file_no)
where
    files.file = $file
    and files.table_name = 'amendments'
    and coalesce(loads.source_name = $source_name, true)
order by all;

-- statement: supersede_kept
-- purpose: list no longer what could not be applied of a folder's amendments before.
-- grain: one row per earlier file.
-- parameters: $file, the name of a folder's file of amendments; $source_name; $file_no, which takes
--   their place.
-- columns: those of the table superseded.

insert into superseded by name
select files.file_no, $file_no as by_file_no
from files
join loads using (load_no)
anti join superseded_now using (file_no)
where
    files.file = $file
    and files.table_name = 'amendments'
    and loads.source_name = $source_name
    and files.file_no < $file_no;

-- statement: save_kept_file
-- purpose: list the file of a folder's amendments, of which some could not be applied.
-- grain: one row per file.
-- parameters: $load_no; $file_no; $file, its name; $rows of it; $held_back, those not applied.
-- columns: those of the table files.

insert into files by name
select
    $file_no as file_no,
    $load_no as load_no,
    $file as file,
    '' as sha256,
    '' as mapping_sha256,
    'amendments' as table_name,
    $rows as rows,
    $rows - $held_back as taken,
    $held_back as held_back,
    0 as known,
    0 as amended,
    '' as note;
