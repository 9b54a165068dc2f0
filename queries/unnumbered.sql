-- purpose: count the readings of one file that give no replicate.
-- grain: one row.
-- parameters: $file_no.
-- columns: rows.

select count(*) as rows from readings where file_no = $file_no and replicate is null;
