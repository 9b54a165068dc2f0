-- purpose: list the files that the store was made from, read under one mapping file.
-- grain: one row per file_no.
-- parameters: $mapping_sha256, empty for no mapping file.
-- columns: file_no; source_name; file; sha256; rows; held_back.

select
    files.file_no,
    loads.source_name,
    files.file,
    files.sha256,
    files.rows,
    files.held_back
from files
join loads using (load_no)
where files.mapping_sha256 = $mapping_sha256
order by files.file_no;
