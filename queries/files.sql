-- purpose: list the files that a store was made from.
-- grain: one row per file and sha256; a file read again under another mapping is there again.
-- parameters: $file_nos, the files asked for, null for all.
-- columns: file; sha256; table_name, empty for none; rows; taken; held_back; known; amended; note.

select
    file_labels.label as file,
    files.sha256,
    files.table_name,
    files.rows,
    files.taken,
    files.held_back,
    files.known,
    files.amended,
    files.note
from files
join file_labels using (file_no)
where coalesce(list_contains($file_nos::integer[], file_no), true)
order by files.file_no;
