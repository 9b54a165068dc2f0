-- purpose: make records of the lines that are read of some files, and cells of the records.
-- grain: file_lines, one row per file_no and line below the header; records, one row per file_no
--   and line with which a record begins; cells, the same.
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

create or replace temp view cells as
with split as (
    select
        *,
        cells_of(text, mark) as cells,
        contains(text, '"') and not is_long and not is_whole_record(text, mark) as is_misquoted
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
