-- purpose: add a chunk to the rows of the file being read.
-- grain: one row per record.
-- parameters: none; reads the registered frame chunk.
-- columns: line, then those of the input table as text.

insert into chunks select * from chunk;
