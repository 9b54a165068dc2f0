-- purpose: make room in memory for a new store, with which the form of another is compared.
-- grain: none.
-- parameters: none.
-- columns: none.

attach ':memory:' as reference;

use reference;
