-- purpose: say of staged field tests that their specification cannot be met by any air content.
-- grain: one row per file_no and line held back for it.
-- parameters: $decimal_mark.
-- columns: those of the table held_back.

insert into held_back by name
select
    file_no,
    line,
    'spec_min_pct' as column_name,
    spec_min_pct || ' is above spec_max_pct, ' || spec_max_pct as reason
from staged
where as_number(spec_min_pct, $decimal_mark) > as_number(spec_max_pct, $decimal_mark);
