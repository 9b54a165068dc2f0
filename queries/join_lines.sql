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
