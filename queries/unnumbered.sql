-- purpose: count the readings of this source that give no replicate.
-- grain: one row.
-- parameters: $first_file_no of this source.
-- columns: rows.

select count(*) as rows from readings where file_no >= $first_file_no and replicate is null;
