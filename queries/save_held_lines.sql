-- purpose: hold back what was refused before its rows were looked at.
-- grain: one row per header that could not be used.
-- parameters: none; reads the registered frame refused.
-- columns: those of the table held_back.

insert into held_back by name
select * from refused;
