-- statement: stage_lines
-- purpose: make records of the lines that are read of some files, and cells of the records.
-- grain: file_lines, one row per file_no and line below the header; records, one row per file_no
--   and line with which a record begins; cells_read, the same.
-- parameters: none; reads the registered relation lines_read and frame files_read, and the table
--   long_records.
-- columns: file_no; line; text of the record; mark, the delimiter; fields, cells of the header;
--   strays, whether bytes of the file are no text; is_long, whether it has several lines; cells;
--   is_misquoted, whether its quotes do not close where cells end; problem, why it cannot be used,
--   null where it can, '' where it has no content.

create or replace temp table long_records (file_no integer, line bigint, text varchar);

create or replace temp view file_lines as
with numbered as (
    select filename as place, row_number() over () as position, text from lines_read
)

select
    files_read.file_no,
    numbered.position - files_read.lines_before as line,
    numbered.text,
    files_read.mark,
    files_read.fields,
    files_read.strays
from numbered
join files_read using (place)
where numbered.position - files_read.lines_before > files_read.header_end;

create or replace temp view records as
select
    file_lines.file_no,
    file_lines.line,
    case when long_records.line is null then file_lines.text else long_records.text end as text,
    file_lines.mark,
    file_lines.fields,
    file_lines.strays,
    long_records.line is not null as is_long
from file_lines
left join long_records using (file_no, line);

create or replace temp view cells_read as
with split as (
    select
        *,
        cells_of(text, mark) as cells,
        -- Both sides of an "and" are worked out for every line, those of a case where it is met.
        case
            when contains(text, '"') then not is_long and not is_whole_record(text, mark)
            else false
        end as is_misquoted
    from records
    where text is not null
)

select
    *,
    case
        when is_misquoted
            then case
                when opens_a_quote(text, mark)
                    then 'a quote opened on this line is not closed where its cell ends'
                else 'its quotes are wrong (''' || mark || ''' expected after ''"'')'
            end
        when not has_content(text, cells) then ''
        when damage(text, strays) is not null then damage(text, strays)
        when len(cells) <> fields
            then 'has ' || len(cells) || if(len(cells) = 1, ' cell', ' cells')
                || ' where the header has ' || fields
    end as problem
from split;

-- statement: join_lines
-- purpose: join the lines of each record that has a line break within quotes.
-- grain: one row per file_no and line of such a record.
-- parameters: $longest, lines that a record may have; reads the view file_lines.
-- columns: those of the table long_records; text, the whole record in its first line, null in the
--   others.

-- A quote that is never closed would take the lines below it for its cell.  So a record of several
-- lines counts only if it has the cells of the header and no line that looks like a row of its own.
insert into long_records by name
with recursive quoted_lines as materialized (
    select * from file_lines where contains(text, '"')
),

openings as (select * from quoted_lines where opens_a_quote(text, mark)),

closings as materialized (
    select file_no, line, closes_the_quote(text, mark) as closes
    from quoted_lines
    where not stays_in_quotes(text, mark)
),

spans as materialized (
    select openings.* exclude (text), closings.line as end_line
    from openings
    asof join closings
        on openings.file_no = closings.file_no and openings.line < closings.line
    where closings.closes and closings.line - openings.line < $longest
),

within as (
    select *, unnest(range(line, end_line + 1)) as at_line from spans
),

joined as (
    select
        within.* exclude (at_line),
        string_agg(coalesce(file_lines.text, ''), chr(10) order by within.at_line) as text,
        -- A line looks like a row where it has all its delimiters before any quote.
        max(
            case
                when within.at_line > within.line
                    then len(string_split(split_part(file_lines.text, '"', 1), within.mark)) - 1
            end
        ) as most_marks
    from within
    join file_lines
        on within.file_no = file_lines.file_no and within.at_line = file_lines.line
    group by all
),

sound as (
    select *, cells_of(text, mark) as cells
    from joined
    where damage(text, strays) is null
        and coalesce(most_marks, 0) < greatest(fields - 1, 2)
),

whole as materialized (
    select file_no, line, end_line, text
    from sound
    where len(cells) = fields or not has_content(text, cells)
),

-- What lies within an earlier record begins none.  Those that lie within no other are records;
-- what follows each of them within the reach of the others is one in its turn.
followed as materialized (
    select
        whole.*,
        next.line as next_line,
        coalesce(
            max(whole.end_line) over (
                partition by whole.file_no order by whole.line
                rows between unbounded preceding and 1 preceding
            ) >= whole.line,
            false
        ) as is_reached
    from whole
    asof left join whole as next
        on whole.file_no = next.file_no and whole.end_line < next.line
),

begun as (
    select file_no, line, next_line from followed where not is_reached
    union
    select followed.file_no, followed.line, followed.next_line
    from begun
    join followed on begun.file_no = followed.file_no and begun.next_line = followed.line
    where followed.is_reached
),

kept as (select * from followed semi join begun using (file_no, line))

select file_no, line, text from kept
union all
select file_no, unnest(range(line + 1, end_line + 1)), null from kept;

-- statement: begin_lines
-- purpose: forget the records of several lines of the files that were read before.
-- grain: none.
-- parameters: none.
-- columns: none.

truncate long_records;

-- statement: view_cells
-- purpose: split the records of large files when they are asked for.
-- grain: one row per file_no and line with which a record begins.
-- parameters: none.
-- columns: those of the view cells_read.

create or replace temp view cells as select * from cells_read;

-- statement: keep_cells
-- purpose: split the records of small files once, for all that is asked of them.
-- grain: one row per file_no and line with which a record begins.
-- parameters: none.
-- columns: those of the view cells_read; in the temporary table cells_kept.

create or replace temp table cells_kept as select * from cells_read;

create or replace temp view cells as select * from cells_kept;

-- statement: stage_batch
-- purpose: let the rows of some files of one table be read, whatever the order of their columns.
-- grain: one row per file_no and line of a record that could be split.
-- parameters: none; reads the registered relation rows_read.
-- columns: file_no; line; then those of the input table as text.

create or replace temp view staged as select * from rows_read;

-- statement: records_read
-- purpose: count the lines and the records of the files that are being read.
-- grain: one row per file_no with a line below its header.
-- parameters: none; reads the views file_lines and cells.
-- columns: file_no; lines, those below the header; rows, the records that have content; unsplit,
--   those of them that could not be split into cells.

with lines as (select file_no, count(*) as lines from file_lines group by file_no),

rows as (
    select file_no, count(*) as rows, count(problem) as unsplit
    from cells
    where problem is distinct from ''
    group by file_no
)

select
    lines.file_no,
    lines.lines,
    coalesce(rows.rows, 0) as rows,
    coalesce(rows.unsplit, 0) as unsplit
from lines
left join rows using (file_no)
order by lines.file_no;

-- statement: rounded_numbers
-- purpose: count the staged numbers that have more decimals than the store keeps.
-- grain: one row per file_no with such a number.
-- parameters: $table_name; $decimal_mark.
-- columns: file_no; numbers.

with cells as (
    from staged
    unpivot (cell for column_name in (columns(* exclude (file_no, line))))
)

select cells.file_no, count(*) as numbers
from cells
join rules on rules.table_name = $table_name and rules.column_name = cells.column_name
where rules.kind in ('number', 'answer')
    and as_number(cells.cell, $decimal_mark)
    <> try_cast(plain_digits(cells.cell, $decimal_mark) as decimal(38, 26))
group by cells.file_no
order by cells.file_no;
