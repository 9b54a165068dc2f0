-- purpose: open the file of a store for reading alone, under the name store.
-- grain: none.
-- parameters: $place, its whole path.
-- columns: none.

attach $place as store (read_only);
