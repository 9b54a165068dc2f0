-- purpose: find what became of the rows just saved to one table that are not simply new: a row of
--   the same key was there before, in the store or in another file or line of this source.
-- grain: one row per file_no and line of a row that shares its row_key with another.
-- parameters: $table_name; $in_force, its view of rows in force; $first_file_no of this source.
-- columns: file_no; line; row_key; outcome, stored (was in the store), new, known (says what was
--   known), repeat (says what an earlier line of its file says) or amends; first_line, which a
--   repeat repeats; prior_file_no and prior_line, of the row that an amendment replaces; version,
--   of the row among those of its key, from 1.

create or replace temp table outcomes as
with sharing as (
    select file_no, line, row_key from query_table($table_name) where file_no >= $first_file_no
    union all
    select file_no, line, row_key from query_table($in_force) where file_no < $first_file_no
),

-- Hashes first: nearly all keys are there once, and a number is lighter than its text.
shared as (select hash(row_key) as key_hash from sharing group by key_hash having count(*) > 1),

content as (
    select file_no, line, row(*columns(* exclude (file_no, line, row_key))) as cells
    from query_table($table_name)
),

candidates as (
    select sharing.*, content.cells
    from sharing
    semi join shared on hash(sharing.row_key) = shared.key_hash
    join content using (file_no, line)
),

occurrences as (
    select
        *,
        min(line) over (partition by row_key, file_no, cells) as first_line
    from candidates
),

closing as (
    select row_key, file_no, arg_max(cells, line) as cells
    from occurrences
    where line = first_line
    group by row_key, file_no
),

opening as (
    select
        row_key,
        file_no,
        lag(cells) over (partition by row_key order by file_no) as opening_cells
    from closing
),

-- Within a file, all up to the last line that says what was in force before is known already.
compared as (
    select
        occurrences.*,
        max(line) filter (
            where opening_cells is not null and cells is not distinct from opening_cells
        ) over (partition by row_key, file_no) as known_up_to_line
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
        lag(struct_pack(file_no := judged.file_no, line := judged.line)) over chain as prior,
        row_number() over chain as position,
        coalesce(max(replaced.version) over (partition by judged.row_key), 0) as versions_before
    from judged
    left join replaced
        on judged.fate = 'stored'
        and replaced.by_file_no = judged.file_no
        and replaced.by_line = judged.line
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
    case when fate = 'taken' then prior.line end as prior_line,
    versions_before + position as version
from chained;
