-- purpose: say of staged vessels why their air content is not known, where no single cell is wrong.
-- grain: one row per file_no and line held back for it.
-- parameters: $decimal_mark; $bounds, lowest and highest value by column.
-- columns: those of the table held_back.

insert into held_back by name
with weighed as (
    select
        file_no,
        line,
        water_mass_g is null or bowl_water_mass_g is null as lacking,
        as_number(bowl_water_mass_g, $decimal_mark) as bowl_water_mass_g,
        100 * as_number(water_mass_g, $decimal_mark)
        / as_number(bowl_water_mass_g, $decimal_mark) as air_pct
    from staged
    where staged.air_pct is null
),

judged as (
    select
        file_no,
        line,
        case
            when lacking
                then 'is empty, and so is water_mass_g or bowl_water_mass_g; one way of knowing '
                || 'the air content is needed'
            when bowl_water_mass_g >= $bounds['bowl_water_mass_g'][1]
                and air_pct not between $bounds['air_pct'][1] and $bounds['air_pct'][2]
                then 'is empty, and 100 × water_mass_g / bowl_water_mass_g is '
                || round(air_pct, 1) || ', outside the bounds of air_pct'
        end as reason
    from weighed
)

select file_no, line, 'air_pct' as column_name, reason
from judged
where reason is not null;
