-- purpose: name the only folder whose files a connection may read from now on.
-- grain: none.
-- parameters: $folders, its whole path, as it is and as a pattern.
-- columns: none.

set allowed_directories = $folders;
