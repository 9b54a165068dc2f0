-- purpose: how a line becomes the cells of a record.
-- grain: none; made anew in each connection, so that no store keeps an old form.
-- parameters: none; mark is the delimiter of the file: a comma, a semicolon or a tab.
-- columns: none.

-- A pattern is written for the comma.  It is told for each delimiter apart, since only a pattern
-- that is the same throughout is compiled once.
create or replace temp macro line_fits(text, mark, pattern) as
case mark
    when ',' then regexp_full_match(text, pattern)
    when ';' then regexp_full_match(text, replace(pattern, ',', ';'))
    else regexp_full_match(text, replace(pattern, ',', chr(9)))
end;

-- A cell is in quotes from end to end, with its own quotes doubled, or begins with none.
create or replace temp macro is_whole_record(text, mark) as
line_fits(text, mark, '("([^"]|"")*"|[^",][^,]*|)(,("([^"]|"")*"|[^",][^,]*|))*');

-- Its last cell begins with a quote that this line does not close.
create or replace temp macro opens_a_quote(text, mark) as
line_fits(text, mark, '(("([^"]|"")*"|[^",][^,]*|),)*"([^"]|"")*');

-- Of a line that begins within quotes: it ends within quotes.
create or replace temp macro stays_in_quotes(text, mark) as
line_fits(
    text, mark, '([^"]|"")*("(,("([^"]|"")*"|[^",][^,]*|))*,"([^"]|"")*)?'
);

-- Of a line that begins within quotes: its record ends with it.
create or replace temp macro closes_the_quote(text, mark) as
line_fits(text, mark, '([^"]|"")*"(,("([^"]|"")*"|[^",][^,]*|))*');

-- What may surround the content of a cell without being part of it.
create or replace temp macro blanks() as
' ' || chr(9) || chr(10) || chr(11) || chr(12) || chr(13) || chr(160) || chr(8199)
|| chr(8203) || chr(8239) || chr(8288) || chr(65279);

create or replace temp macro trimmed(cell) as trim(cell, blanks());

create or replace temp macro unquoted(cell) as
case when starts_with(cell, '"') then replace(cell[2:-2], '""', '"') else cell end;

create or replace temp macro quoted_cells(text, mark) as
list_transform(
    case mark
        when ',' then regexp_extract_all(',' || text, ',("([^"]|"")*"|[^,]*)', 1)
        when ';' then regexp_extract_all(';' || text, ';("([^"]|"")*"|[^;]*)', 1)
        else regexp_extract_all(
            chr(9) || text, replace(',("([^"]|"")*"|[^,]*)', ',', chr(9)), 1
        )
    end,
    lambda cell: trimmed(unquoted(cell))
);

-- A text has more bytes than letters where it has some beyond ASCII.
create or replace temp macro may_need_trimming(text) as
contains(text, ' ') or contains(text, chr(9)) or contains(text, chr(11))
or contains(text, chr(12)) or strlen(text) <> length(text);

create or replace temp macro plain_cells(text, mark) as
case
    when may_need_trimming(text)
        then list_transform(string_split(text, mark), lambda cell: trimmed(cell))
    else string_split(text, mark)
end;

create or replace temp macro cells_of(text, mark) as
case when contains(text, '"') then quoted_cells(text, mark) else plain_cells(text, mark) end;

-- Nearly every record begins with a full cell, which is told soonest.
create or replace temp macro has_content(text, cells) as
case
    when cells[1] <> '' then true
    when contains(text, '"') or may_need_trimming(text) then array_to_string(cells, '') <> ''
    else strlen(text) >= len(cells)
end;

-- Null where the bytes of a text are sound; strays says whether those of its file are not.
create or replace temp macro damage(text, strays) as
case
    when contains(text, chr(0)) then 'holds a NUL character: the file is damaged here'
    when strays and contains(text, chr(65535))
        then 'holds bytes that are no text in the encoding of the file: it is damaged here'
end;
