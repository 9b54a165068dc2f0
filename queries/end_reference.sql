-- purpose: leave that store in memory again.
-- grain: none.
-- parameters: none.
-- columns: none.

use memory;

detach reference;
