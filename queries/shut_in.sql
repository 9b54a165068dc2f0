-- purpose: name the only files that a connection may read or write from now on.
-- grain: none.
-- parameters: $places, whole paths.
-- columns: none.

set allowed_paths = $places;
