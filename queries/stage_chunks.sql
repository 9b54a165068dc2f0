-- purpose: make room for the rows of a file that come in chunks.
-- grain: one row per record.
-- parameters: none; reads the registered frame chunk.
-- columns: line, then those of the input table as text.

create or replace temp table chunks as select * from chunk;

create or replace temp view staged as select * from chunks;
