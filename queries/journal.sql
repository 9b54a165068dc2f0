-- statement: last_entry
-- purpose: read what the next entry of the journal goes on from.
-- grain: one row.
-- parameters: none.
-- columns: entry_no, 0 where there is none; sha256, empty where there is none.

select
    coalesce(max(entry_no), 0) as entry_no,
    coalesce(arg_max(sha256, entry_no), '') as sha256
from journal;

-- statement: save_entries
-- purpose: add entries to the journal.
-- grain: one row per entry_no.
-- parameters: none; reads the registered frame entries.
-- columns: those of the table journal.

insert into journal by name
select * from entries;

-- statement: journal_entries
-- purpose: list the journal as far as it is seen.
-- grain: one row per entry_no.
-- parameters: none.
-- columns: entry_no; recorded_at; zone; kind; recorded_by; why; what; meters; undoes; file;
--   file_sha256; drift_version; prior_sha256; sha256.

select journal.*
from journal
join seen on journal.entry_no <= seen.upto_entry
order by journal.entry_no;

-- statement: doubt_journal
-- purpose: keep of the journal of a folder, read into a store in memory, where it breaks.
-- grain: none.
-- parameters: $broken, a sentence; empty where it is whole.
-- columns: none.

set variable journal_broken = $broken;

-- statement: journal_doubted
-- purpose: read where the journal of a folder breaks.
-- grain: one row.
-- parameters: none.
-- columns: broken, a sentence, empty where it is whole or nobody asked.

select coalesce(getvariable('journal_broken'), '') as broken;

-- statement: entries_of_meter
-- purpose: find the entries by which rows of one meter came.
-- grain: one row per entry_no.
-- parameters: $meter_id.
-- columns: entry_no.

with rows_of_meter as (
    select file_no from readings where meter_id = $meter_id
    union
    select file_no from marks where meter_id = $meter_id
    union
    select file_no from meters where meter_id = $meter_id
    union
    select file_no from vessels where meter_id = $meter_id
    union
    select file_no from service where meter_id = $meter_id
    union
    select file_no from responses where meter_id = $meter_id
    union
    select file_no from field_tests where meter_id = $meter_id
    union
    select file_no from bowls where meter_id = $meter_id
    union
    select file_no from checks where meter_id = $meter_id
    union
    select file_no from studies where meter_id = $meter_id
    union
    select file_no from comparisons where meter_id = $meter_id
    union
    select file_no from decisions where meter_id = $meter_id
)

select distinct loads.entry_no
from rows_of_meter
join files using (file_no)
join loads using (load_no)
where loads.entry_no is not null
order by loads.entry_no;

-- statement: see_until
-- purpose: see from now on only what was on record at the end of a day.
-- grain: none.
-- parameters: $day.
-- columns: none.

update seen
set
    upto_entry = (
        select coalesce(max(entry_no), 0) from journal where recorded_at[:10]::date <= $day
    ),
    upto_day = $day;

-- statement: save_changes
-- purpose: note which rows an entry sets aside or puts back.
-- grain: one row per entry_no, file_no and line.
-- parameters: none; reads the registered frame changed.
-- columns: those of the table changes.

insert into changes by name
select * from changed;

-- statement: save_undone
-- purpose: note which entries an entry undoes, and which it thereby puts in force again.
-- grain: one row per entry_no and of_entry_no.
-- parameters: none; reads the registered frame undoing.
-- columns: those of the table undone.

insert into undone by name
select * from undoing;

-- statement: undone_by
-- purpose: name the last entry that undid another.
-- grain: one row.
-- parameters: $entry_no.
-- columns: by_entry_no, null where it is not undone.

select max(undone.entry_no) as by_entry_no
from undone
join entries_out on entries_out.entry_no = undone.of_entry_no
where undone.of_entry_no = $entry_no and undone.is_undone;

-- statement: effects_of
-- purpose: list what an entry did: the rows that it set aside or put back, the files it brought.
-- grain: one row per file_no and line.
-- parameters: $entry_no.
-- columns: file_no; line, null for a whole file; in_force, after it; by_hand; now_in_force;
--   later_entry_no, the entry that changed it last, null where none did since.

with did as (
    select file_no, line, in_force, by_hand from changes where entry_no = $entry_no
    union all
    select files.file_no, null, true, false
    from files
    join loads using (load_no)
    where loads.entry_no = $entry_no
),

latest as (
    select
        file_no,
        line,
        arg_max(in_force, entry_no) as now_in_force,
        max(entry_no) as latest_entry_no
    from changes
    group by file_no, line
)

select
    did.file_no,
    did.line,
    did.in_force,
    did.by_hand,
    coalesce(latest.now_in_force, true) as now_in_force,
    case
        when latest.latest_entry_no <> $entry_no then latest.latest_entry_no
    end as later_entry_no
from did
left join latest
    on latest.file_no = did.file_no and latest.line is not distinct from did.line
order by did.file_no, did.line;

-- statement: later_changes
-- purpose: find the first entry that set aside a row of the files which an entry brought.
-- grain: one row.
-- parameters: $entry_no.
-- columns: later_entry_no, null where none did.

with brought as (
    select files.file_no
    from files
    join loads using (load_no)
    where loads.entry_no = $entry_no
),

out_now as (
    select file_no, line, max(entry_no) as entry_no
    from changes
    semi join brought using (file_no)
    where line is not null
    group by file_no, line
    having not arg_max(in_force, entry_no)
)

select min(entry_no) as later_entry_no from out_now where entry_no > $entry_no;

-- statement: doubled_keys
-- purpose: find rows in force of one table that say the same row twice.
-- grain: one row per row_key.
-- parameters: $in_force, its view of rows in force; $file_nos, files of which a row was put back.
-- columns: row_key.

with put_back as (
    select row_key
    from query_table($in_force)
    where list_contains($file_nos::integer[], file_no)
)

select in_force.row_key
from query_table($in_force) as in_force
semi join put_back using (row_key)
group by in_force.row_key
having count(*) > 1
order by in_force.row_key;

-- statement: tables_of_files
-- purpose: name the tables of some files.
-- grain: one row per table_name.
-- parameters: $file_nos.
-- columns: table_name.

select distinct table_name
from files
where list_contains($file_nos::integer[], file_no) and table_name <> ''
order by table_name;
