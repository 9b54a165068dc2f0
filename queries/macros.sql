-- purpose: how the text of a cell becomes a value; null where it cannot.
-- grain: none; made anew in each connection, so that no store keeps an old form.
-- parameters: none; mark is the decimal mark of the file, format the declared layout of dates.
-- columns: none.

-- A comma and a point change places where the comma is the decimal mark, so that a point there is
-- refused as a comma is elsewhere.
create or replace temp macro plain_digits(cell, mark) as
replace(case when mark = ',' then translate(cell, '.,', ',.') else cell end, '−', '-');

-- Most numbers are plain digits, which are told sooner than the rest.
create or replace temp macro as_number(cell, mark) as
case
    when mark = '.' and regexp_full_match(cell, '[0-9]+\.?[0-9]*')
        then try_cast(cell as decimal(18, 9))
    else
        try_cast(
            regexp_extract(
                plain_digits(cell, mark),
                '^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?$', 0
            ) as decimal(18, 9)
        )
end;

-- Decimals carry nine digits in the store; people wrote fewer.
create or replace temp macro as_written(value, kind) as
case
    when kind = 'number'
        then regexp_replace(regexp_replace(value, '(\.[0-9]*?)0+$', '\1'), '\.$', '')
    else value
end;

-- A check answers with a number, written as people write it, or with yes or no.
create or replace temp macro as_answer(cell, mark) as
case
    when cell in ('yes', 'no') then cell
    else as_written(as_number(cell, mark)::varchar, 'number')
end;

-- A year is written in as many digits as its code has, which the parsing does not ask: two for %y,
-- four for %Y.  Signs of the layout other than codes stand for themselves.
create or replace temp macro layout_pattern(format) as
regexp_replace(
    replace(
        replace(
            regexp_replace(format, '([][.*+?(){}|^$\\/])', '\\\1', 'g'), '%Y', '[0-9]{4}'
        ),
        '%y', '[0-9]{2}'
    ),
    '%-?[A-Za-z%]', '.+?', 'g'
);

create or replace temp macro laid_out_date(cell, format) as
case
    when regexp_full_match(cell, layout_pattern(format)) then try_strptime(cell, format)::date
end;

-- Where a layout is declared, an ISO date is still one, unless the layout may read it otherwise.
create or replace temp macro any_date(cell, format) as
case
    when format is null then iso_date(cell)
    when starts_with(format, '%Y-') then laid_out_date(cell, format)
    else coalesce(laid_out_date(cell, format), iso_date(cell))
end;

-- A year outside these cannot be meant: the pressure meter is younger than 1900.
create or replace temp macro as_date(cell, format) as
case
    when year(any_date(cell, format)) between 1900 and 2100 then any_date(cell, format)
end;

-- The next three are true where a cell is empty or became a value that can be meant.
-- bounds[name] holds the lowest and highest value of a column, both inclusive.
create or replace temp macro number_fits(cell, number, bounds, name) as
cell is null or coalesce(number between bounds[name][1] and bounds[name][2], false);

create or replace temp macro whole_fits(cell, number, bounds, name) as
number_fits(cell, number, bounds, name) and coalesce(number = trunc(number), true);

create or replace temp macro date_fits(cell, day) as cell is null or day is not null;

create or replace temp macro word_fits(cell, words, name) as
cell is null or list_contains(words[name], cell);

-- Reasons, in words that follow the cell they speak of.
create or replace temp macro quoted(cell) as
'''' || replace(case when length(cell) > 60 then cell[:60] || '…' else cell end, chr(10), ' ')
|| '''';

create or replace temp macro number_problem(cell, mark) as
case
    when regexp_full_match(cell, '(?i)[+-]?(nan|inf|infinity)')
        then ' is not a number; leave the cell empty where nothing was read'
    when mark = ',' and regexp_full_match(cell, '[+−-]?[0-9]*\.[0-9]+')
        then ' has a decimal point in a file that writes decimals with a comma'
    when regexp_full_match(cell, '[+−-]?[0-9]+,[0-9]+')
        then ' has a comma; write decimals with a point, or separate the cells of the file by '
        || 'semicolons'
    when regexp_full_match(
        cell, '[+−-]?[0-9]{1,3}([,. ''’_\x{00a0}\x{202f}][0-9]{3})+([.,][0-9]+)?'
    )
        or regexp_full_match(cell, '[+−-]?[0-9]+(_[0-9]+)+([.,][0-9]+)?')
        then ' has a thousands separator; write digits alone'
    when regexp_full_match(
        cell, '(?i)[+−-]?[0-9]+([.,][0-9]+)? ?(%|‰|°?[cf]|pct|percent|kpa|psi|k?g|mm|days?)'
    )
        then ' carries a unit; write the number alone'
    when regexp_full_match(cell, '[+−-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?')
        then ' is larger than any value that can be meant'
    else ' is not a number'
end;

create or replace temp macro answer_problem(cell, mark) as
case
    when lower(cell) in ('yes', 'no') then ' is written ' || lower(cell) || ' here'
    when regexp_matches(cell, '[0-9]') then number_problem(cell, mark)
    else ' is neither a number nor yes or no'
end;

create or replace temp macro date_problem(cell, format) as
case
    when any_date(cell, format) is not null
        then ' is outside the years 1900 to 2100'
    when format is null and regexp_full_match(cell, '[0-9]{4}-[0-9]{2}-[0-9]{2}')
        then ' is a day that does not exist'
    when format is null
        then ' is not a date such as 2024-01-31; declare another layout in mapping.toml: '
        || '[dates] format = "%d/%m/%Y"'
    else ' is not a date in the layout ' || format || ' that mapping.toml declares'
end;

create or replace temp macro word_key(word) as regexp_replace(lower(word), '[^a-z]+', '_', 'g');

create or replace temp macro nearest_word(cell, words) as
list_filter(
    list_sort(words),
    lambda word: levenshtein(word_key(cell), word)
    = list_min(list_transform(words, lambda other: levenshtein(word_key(cell), other)))
)[1];

create or replace temp macro word_problem(cell, words) as
' is none of ' || array_to_string(words, ', ')
|| case
    when jaro_winkler_similarity(word_key(cell), nearest_word(cell, words)) > 0.8
        then '; did you mean ' || nearest_word(cell, words) || '?'
    else ''
end;

-- What the replicates of one check, and those of one cell of a study, have in common.
create or replace temp macro check_sitting(meter_id, performed_on, checked, expected) as
concat_ws(chr(0), meter_id, performed_on, checked, coalesce(expected::varchar, ''));

create or replace temp macro study_sitting(
    study_id, meter_id, performed_on, visit_id, stage, correct_air_pct, vessel_id, operator
) as
concat_ws(
    chr(0), study_id, meter_id, performed_on, coalesce(visit_id, performed_on::varchar),
    coalesce(stage, ''), round(correct_air_pct), coalesce(vessel_id, ''), coalesce(operator, '')
);
