-- purpose: name the only folder whose files a connection may read from now on.
-- grain: none.
-- parameters: $folders, one whole path.
-- columns: none.

set allowed_directories = $folders;
