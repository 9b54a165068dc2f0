-- purpose: note the files of one load and what became of their rows.
-- grain: one row per file.
-- parameters: none; reads the registered frame arrivals.
-- columns: those of the table files.

insert into files by name
select * from arrivals;
