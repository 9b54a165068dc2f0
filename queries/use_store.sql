-- purpose: let names without a database mean those of the store.
-- grain: none.
-- parameters: none.
-- columns: none.

use store;
