-- purpose: close every other way to files and to the network, for good.
-- grain: none.
-- parameters: none.
-- columns: none.

set enable_external_access = false;

set lock_configuration = true;
