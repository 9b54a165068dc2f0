-- statement: any_key_twice
-- purpose: say whether any two rows just saved to one table share their key; in a store that held
--   nothing before, all rows are new where none do.  Two keys with the same hash of 64 bits are
--   taken to be one, which costs a closer look.
-- grain: one row.
-- parameters: $table_name; $first_file_no of this source.
-- columns: is_there.

select count(*) > count(distinct hash(row_key)) as is_there
from query_table($table_name)
where file_no >= $first_file_no;

-- statement: none_set_aside
-- purpose: say that no row of a load brings back what a person has set aside.
-- grain: none.
-- parameters: none.
-- columns: file_no; line; in the temporary table set_aside_again.

create or replace temp table set_aside_again (file_no integer, line bigint);

-- statement: set_aside_again
-- purpose: find the rows just saved to one table that say what a person has amended or withdrawn:
--   an export that still has them brings them back for nobody.
-- grain: one row per file_no and line.
-- parameters: $table_name; $first_file_no of this source.
-- columns: file_no; line; in the temporary table set_aside_again.

create or replace temp table set_aside_again as
with set_aside as (
    select
        saved.row_key,
        hash(row(*columns(saved.* exclude (file_no, line, row_key)))) as content_hash
    from query_table($table_name) as saved
    semi join (select * from rows_out where by_hand) as by_hand using (file_no, line)
    anti join files_out using (file_no)
),

fresh as (
    select
        saved.file_no,
        saved.line,
        saved.row_key,
        hash(row(*columns(saved.* exclude (file_no, line, row_key)))) as content_hash
    from query_table($table_name) as saved
    semi join set_aside on saved.row_key = set_aside.row_key
    where saved.file_no >= $first_file_no
)

select fresh.file_no, fresh.line
from fresh
semi join set_aside using (row_key, content_hash);

-- statement: outcomes
-- purpose: find what became of the rows just saved to one table that are not simply new: a row of
--   the same key was there before, in the store or in another file or line of this source.
-- grain: one row per file_no and line of a row that shares its row_key with another.
-- parameters: $table_name; $in_force, its view of rows in force; $first_file_no of this source.
-- columns: file_no; line; row_key, null where simply known; outcome, stored (was in the store),
--   new, known (says what was known), repeat (says what an earlier line of its file says), amends;
--   first_line, which a repeat repeats; prior_file_no and prior_line, of the row that an amendment
--   replaces; reads the temporary table set_aside_again.

create or replace temp table outcomes as
with every_row as not materialized (
    select *
    from query_table($table_name)
    anti join set_aside_again using (file_no, line)
    where file_no >= $first_file_no
    union all
    select * from query_table($in_force) where file_no < $first_file_no
),

-- Hashes first: nearly all keys are there once, and a number is lighter than its text.  Two rows
-- of one key with the same hash of 64 bits over all their values are taken to say the same.
shared as (
    select hash(row_key) as key_hash from every_row group by key_hash having count(*) > 1
),

sharing as (
    select
        every_row.file_no,
        every_row.line,
        shared.key_hash,
        hash(row(*columns(every_row.* exclude (file_no, line, row_key)))) as content_hash
    from every_row
    join shared on shared.key_hash = hash(every_row.row_key)
),

files_of_key as (
    select
        key_hash,
        file_no,
        count(*) as rows,
        min(line) as line,
        min(content_hash) as lowest_hash,
        max(content_hash) as highest_hash
    from sharing
    group by key_hash, file_no
),

-- The common case in bulk: each file has the row once and all say the same.
agreed as (
    select key_hash, min(file_no) as first_file_no
    from files_of_key
    group by key_hash
    having max(rows) = 1 and min(lowest_hash) = max(highest_hash)
),

agreeing as (
    select files_of_key.file_no, files_of_key.line
    from files_of_key
    join agreed using (key_hash)
    where files_of_key.file_no > agreed.first_file_no
),

disputed as (select * from sharing anti join agreed using (key_hash)),

candidates as (
    select disputed.file_no, disputed.line, disputed.content_hash, every_row.row_key
    from disputed
    join every_row using (file_no, line)
),

occurrences as (
    select
        *,
        min(line) over (partition by row_key, file_no, content_hash) as first_line
    from candidates
),

closing as (
    select row_key, file_no, arg_max(content_hash, line) as content_hash
    from occurrences
    where line = first_line
    group by row_key, file_no
),

opening as (
    select
        row_key,
        file_no,
        lag(content_hash) over (partition by row_key order by file_no) as opening_hash
    from closing
),

-- Within a file, all up to the last line that says what was in force before is known already.
compared as (
    select
        occurrences.*,
        max(line) filter (where content_hash = opening_hash) over (
            partition by row_key, file_no
        ) as known_up_to_line
    from occurrences
    join opening using (row_key, file_no)
),

judged as (
    select
        *,
        case
            when line <> first_line then 'repeat'
            when file_no < $first_file_no then 'stored'
            when line <= known_up_to_line then 'known'
            else 'taken'
        end as fate
    from compared
),

chained as (
    select
        judged.*,
        lag(struct_pack(file_no := judged.file_no, line := judged.line)) over chain as prior
    from judged
    window chain as (
        partition by judged.row_key, judged.fate in ('stored', 'taken')
        order by judged.file_no, judged.line
    )
)

select
    file_no,
    line,
    row_key,
    case
        when fate <> 'taken' then fate
        when prior is null then 'new'
        else 'amends'
    end as outcome,
    first_line,
    case when fate = 'taken' then prior.file_no end as prior_file_no,
    case when fate = 'taken' then prior.line end as prior_line
from chained
union all
select file_no, line, null, 'known', null, null, null from agreeing
union all
select file_no, line, null, 'known', null, null, null from set_aside_again;

-- statement: outcome_counts
-- purpose: count what became of the rows that were not simply new.
-- grain: one row per file_no and outcome.
-- parameters: none; reads the temporary table outcomes.
-- columns: file_no; outcome; rows.

select file_no, outcome, count(*) as rows
from outcomes
where outcome <> 'stored'
group by all
order by all;

-- statement: save_superseded
-- purpose: find the earlier loads of files that now came again with all they once gave, so that
--   what was held back of them then is no longer listed: it was read again, and judged again.
-- grain: one row per earlier file.
-- parameters: $table_name; $source_name; $file_names and $file_nos, the files that came, in step;
--   $first_file_no of this source.
-- columns: those of the table superseded.

insert into superseded by name
with earlier as (
    select files.file_no, files.file
    from files
    join loads using (load_no)
    anti join superseded_now using (file_no)
    anti join files_out using (file_no)
    where loads.source_name = $source_name and files.file_no < $first_file_no
),

came as (
    select unnest($file_names::varchar[]) as file, unnest($file_nos::integer[]) as file_no
),

pairs as (
    select earlier.file_no, came.file_no as by_file_no
    from earlier
    join came using (file)
),

rows_then as (
    select pairs.file_no, pairs.by_file_no, saved.row_key
    from pairs
    join query_table($table_name) as saved using (file_no)
),

rows_now as (
    select saved.file_no as by_file_no, saved.row_key
    from query_table($table_name) as saved
    where saved.file_no >= $first_file_no
),

lost as (
    select distinct file_no from rows_then anti join rows_now using (by_file_no, row_key)
)

select pairs.file_no, pairs.by_file_no
from pairs
anti join lost using (file_no);
